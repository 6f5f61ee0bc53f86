"""Addresses of this room. One line an address, with its operations."""

from django.urls import path, re_path
from drf_spectacular.views import SpectacularJSONAPIView

from api import (
    fleet_edits as edits,
)
from api import (
    fleet_operations as fleet,
)
from api import (
    pages,
    plan_operations,
)
from api import (
    scheduling_operations as scheduling,
)
from api import (
    work_order_operations as orders,
)
from api.bulk_readings import RecordMeterReadings
from api.operations import at
from api.unknown import NothingHere

operations = [
    path("sites", at(fleet.ListSites), name="api_sites"),
    path("sites/<int:pk>", at(fleet.ShowSite, edits.ChangeSite), name="api_site"),
    path("treatment-units", at(fleet.ListTreatmentUnits), name="api_treatment_units"),
    path(
        "treatment-units/<int:pk>",
        at(fleet.ShowTreatmentUnit, edits.ChangeTreatmentUnit),
        name="api_treatment_unit",
    ),
    path("parts", at(fleet.ListParts, edits.InstallPart), name="api_parts"),
    path("parts/<int:pk>", at(fleet.ShowPart), name="api_part"),
    path("parts/<int:pk>/removal", at(edits.RemovePart), name="api_remove_part"),
    path("parts/<int:pk>/replacement", at(edits.ReplacePart), name="api_replace_part"),
    path("part-states", at(fleet.ListPartStates), name="api_part_states"),
    path("findings", at(fleet.ListFindings), name="api_findings"),
    path("findings/<int:pk>", at(fleet.ShowFinding), name="api_finding"),
    path("meters", at(fleet.ListMeters), name="api_meters"),
    path("meter-readings", at(fleet.ListMeterReadings), name="api_meter_readings"),
    path("meter-readings/bulk", at(RecordMeterReadings), name="api_bulk_meter_readings"),
    path(
        "performance-readings",
        at(fleet.ListPerformanceReadings, edits.RecordGauges),
        name="api_performance_readings",
    ),
    path("feed-tests", at(fleet.ListFeedTests, edits.RecordFeedTest), name="api_feed_tests"),
    path("work-orders", at(orders.ListWorkOrders, orders.RaiseWorkOrder), name="api_work_orders"),
    path("work-orders/<int:pk>", at(orders.ShowWorkOrder, orders.PromiseWorkOrder), name="api_work_order"),
    path("work-orders/<int:pk>/withdraw", at(orders.WithdrawWorkOrder), name="api_withdraw_work_order"),
    path("routes", at(scheduling.ListRoutes), name="api_routes"),
    path("routes/<int:pk>", at(scheduling.ShowRoute), name="api_route"),
    path("close-outs", at(scheduling.ListCloseOuts), name="api_close_outs"),
    path("close-outs/<int:pk>", at(scheduling.ShowCloseOut), name="api_close_out"),
    path("technicians", at(plan_operations.ListTechnicians), name="api_technicians"),
    path("technicians/<int:pk>", at(plan_operations.ShowTechnician), name="api_technician"),
    path("technicians/<int:pk>/absences", at(plan_operations.AddAbsence), name="api_add_absence"),
    path("plans", at(plan_operations.ListPlans), name="api_plans"),
    path("plans/<int:pk>", at(plan_operations.ShowPlan), name="api_plan"),
    path("plans/<int:pk>/prices", at(plan_operations.AddPlanPrice), name="api_add_plan_price"),
    path("plans/<int:pk>/periods", at(plan_operations.AddPlanPeriod), name="api_add_plan_period"),
    path("revenue-entries", at(scheduling.ListRevenueEntries), name="api_revenue_entries"),
    path("revenue-entries/<int:pk>", at(scheduling.ShowRevenueEntry), name="api_revenue_entry"),
]
urlpatterns = [
    *operations,
    path("schema", SpectacularJSONAPIView.as_view(), name="api_schema"),
    path("docs/", pages.api_docs, name="api_docs"),
    path("docs/python/", pages.api_with_python, name="api_with_python"),
    path("own-tokens/", pages.own_tokens, name="own_tokens"),
    path("own-tokens/<int:pk>/revoke/", pages.revoke_own_token, name="revoke_own_token"),
    re_path(r"", NothingHere.as_view(), name="api_nothing_here"),
]
