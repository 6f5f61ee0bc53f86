"""A new table can't be forgotten when one person's data is taken out or erased."""

from django.apps import apps
from django.db import models

from fleet.models import Customer, Part, Person, Site, TreatmentUnit
from scheduling.models import CloseOut, Technician, WorkOrder
from scheduling.operations import personal_data
from scheduling.operations import personal_data_rows as queries


def all_models():
    return [
        model for room in ("fleet", "scheduling", "api") for model in apps.get_app_config(room).get_models()
    ]


def test_every_table_that_hangs_on_a_customer_is_listed():
    """Walk the keys from the customer outwards; each table met is taken out."""
    stops = {Person, Technician, Part, WorkOrder, CloseOut}
    met, reach = set(), [Customer, Site, TreatmentUnit, WorkOrder, CloseOut]
    for target in reach:
        for model in all_models():
            keys = [field for field in model._meta.concrete_fields if field.related_model is target]
            if keys and model not in stops:
                met.add(model)
    listed = {model for model, _ in queries.CUSTOMER_ROWS} | {Customer}
    # A part's two kinds are the part's own rows; a re-plan is the planner's.
    assert {model.__name__ for model in met - listed} <= {"Cartridge", "Membrane", "Replan"}


HOLD_NO_NAMES = {
    # Numbers, codes, secrets and words of the machine's own.
    "api.ApiToken", "api.IdempotencyRecord", "fleet.AssessmentRun", "fleet.AssessmentShard",
    "fleet.AuditEntry", "fleet.Branch", "fleet.DeadLetter", "fleet.FailedLogIn", "fleet.FeedTest",
    "fleet.Finding", "fleet.Flush", "fleet.GeocodedAddress", "fleet.HistorySeal",
    "fleet.LastHeard", "fleet.Meter", "fleet.MeterReading", "fleet.Part", "fleet.PartKind", "fleet.PartState",
    "fleet.PerformanceReading", "fleet.Position", "fleet.RecoveryCode", "fleet.SecondFactor", "fleet.TaskRun",
    "fleet.TelemetryDay", "fleet.TelemetryMap", "fleet.UnitState", "fleet.UseRules", "fleet.WaterSupply",
    "fleet.UnitModel", "fleet.UnitModelPosition",
    "fleet.Webhook", "fleet.WebhookAttempt", "fleet.WebhookDelivery", "fleet.Cartridge", "fleet.Membrane",
    "scheduling.AcceptedPace", "scheduling.CalendarFeed", "scheduling.CloseOutPhoto",
    "scheduling.HolidayRegion",
    "scheduling.InvoiceBatch", "scheduling.PaidFile", "scheduling.PaidLine", "scheduling.PlanPrice",
    "scheduling.Route", "scheduling.ServicePlan", "scheduling.Skill", "scheduling.SpreadsheetMapping",
    "scheduling.StepSheet",
    "scheduling.StockLevel", "scheduling.TaxRate", "scheduling.TravelLeg", "scheduling.WorkOrderPart",
    # The rows that are erased themselves.
    "fleet.Customer", "fleet.Person", "fleet.Site", "scheduling.Technician",
}  # fmt: skip


def test_every_table_with_texts_is_swept_for_names_or_is_known_to_hold_none():
    swept = {model._meta.label for model, _ in personal_data.TEXTS}
    with_texts = {
        model._meta.label
        for model in all_models()
        if any(
            isinstance(field, models.CharField | models.TextField | models.JSONField) and not field.choices
            for field in model._meta.local_fields
        )
    }
    assert with_texts - swept - HOLD_NO_NAMES == set()
    assert swept & HOLD_NO_NAMES == set()
