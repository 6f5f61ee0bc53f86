"""What was found and done. Added to, never edited: an undo is a record of its own."""

import uuid

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy

from fleet.models import Flush, Part, Person, Site, TreatmentUnit
from scheduling.crew.models import Technician
from scheduling.orders.models import WorkOrder
from scheduling.routes.models import Stop
from shared.model_parts import both_or_neither, known_values


class Outcome(models.TextChoices):
    """How a visit ended."""

    DONE = "done", gettext_lazy("Done")
    BEDDING = "bedding", gettext_lazy("Bedding overnight, second flush to come")
    NOT_DONE = "not_done", gettext_lazy("Could not be done")


class NotDoneBecause(models.TextChoices):
    """Why work could not be done."""

    NOBODY_THERE = "nobody_there", gettext_lazy("Nobody there")
    NO_ACCESS = "no_access", gettext_lazy("No access")
    UNIT_NOT_FOUND = "unit_not_found", gettext_lazy("Unit not found")
    WRONG_PART = "wrong_part", gettext_lazy("Wrong or missing part")
    LEAK_OR_DAMAGE = "leak_or_damage", gettext_lazy("Leak or damage")
    UNSAFE = "unsafe", gettext_lazy("Unsafe")
    OTHER = "other", gettext_lazy("Something else")


class Visit(models.Model):
    """One technician at one site, once: what was found and done there is its close-outs.

    Signature, note and photos are kept with the close-outs, where reports and erasing look for them.
    """

    client_id = models.UUIDField(default=uuid.uuid4, unique=True, help_text="Made on the phone.")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="visits")
    technician = models.ForeignKey(Technician, on_delete=models.PROTECT, related_name="visits")
    stop = models.ForeignKey(Stop, on_delete=models.SET_NULL, null=True, blank=True, related_name="visits")
    started_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField()
    received_at = models.DateTimeField()

    class Meta:
        ordering = ["-finished_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(started_at__isnull=True) | Q(started_at__lte=models.F("finished_at")),
                name="scheduling_visit_starts_before_end",
            ),
        ]

    def __str__(self):
        return f"visit to {self.site_id}"


class CloseOut(models.Model):
    """What became of one order at one visit."""

    client_id = models.UUIDField(default=uuid.uuid4, unique=True, help_text="Made on the phone.")
    visit = models.ForeignKey(
        Visit, on_delete=models.PROTECT, null=True, blank=True, related_name="close_outs", db_index=False
    )
    order = models.ForeignKey(WorkOrder, on_delete=models.PROTECT, related_name="close_outs")
    stop = models.ForeignKey(
        Stop, on_delete=models.SET_NULL, null=True, blank=True, related_name="close_outs"
    )
    technician = models.ForeignKey(Technician, on_delete=models.PROTECT, related_name="close_outs")
    outcome = models.CharField(max_length=8, choices=Outcome)
    not_done_because = models.CharField(
        max_length=16, choices=NotDoneBecause, blank=True, db_default="", default=""
    )
    finished_at = models.DateTimeField()
    received_at = models.DateTimeField()
    minutes = models.PositiveSmallIntegerField()
    drive_minutes = models.PositiveSmallIntegerField(default=0)
    steps = models.JSONField(default=list, help_text="[{code, done, skipped_because}] as on the phone.")
    step_sheet_version = models.PositiveSmallIntegerField(null=True, blank=True)
    note = models.TextField(blank=True)
    signed_by = models.CharField(max_length=120, blank=True)
    signature = models.TextField(blank=True, help_text="Pen strokes as JSON points.")
    flush = models.ForeignKey(Flush, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    performance_reading_id = models.BigIntegerField(null=True, blank=True)
    as_found_reading_id = models.BigIntegerField(null=True, blank=True)
    form_hash = models.CharField(
        max_length=64,
        blank=True,
        editable=False,
        help_text="Of what was sent, to know a repeat from a clash.",
    )
    follow_up = models.ForeignKey(
        WorkOrder, on_delete=models.PROTECT, null=True, blank=True, related_name="raised_by_close_outs"
    )
    undone_at = models.DateTimeField(null=True, blank=True)
    undone_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    undone_because = models.CharField(max_length=160, blank=True)

    class Meta:
        ordering = ["-finished_at", "-id"]
        constraints = [
            known_values("outcome", Outcome, "scheduling_closeout_outcome_known"),
            models.CheckConstraint(
                condition=Q(not_done_because__in=["", *NotDoneBecause.values]),
                name="scheduling_closeout_not_done_because_known",
            ),
            both_or_neither("undone_at", "undone_by", "scheduling_closeout_undone_when_and_by"),
            models.UniqueConstraint(
                fields=["order"],
                condition=Q(undone_at__isnull=True) & ~Q(outcome="not_done"),
                name="scheduling_closeout_one_standing_per_order",
            ),
        ]
        indexes = [models.Index(fields=["visit"], name="scheduling_closeout_of_visit")]

    def __str__(self):
        return f"close-out of {self.order_id}"


class CloseOutPart(models.Model):
    """A part taken out, put in, or both, at a close-out."""

    close_out = models.ForeignKey(CloseOut, on_delete=models.PROTECT, related_name="parts")
    removed = models.ForeignKey(Part, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    installed = models.ForeignKey(Part, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(removed__isnull=False) | Q(installed__isnull=False),
                name="scheduling_closeoutpart_names_a_part",
            ),
            models.UniqueConstraint(fields=["installed"], name="scheduling_closeoutpart_installed_once"),
        ]

    def __str__(self):
        return f"{self.removed_id} → {self.installed_id}"


class CloseOutPhoto(models.Model):
    """A photo taken at a close-out, checked by content on arrival."""

    close_out = models.ForeignKey(CloseOut, on_delete=models.PROTECT, related_name="photos")
    client_id = models.UUIDField(default=uuid.uuid4, unique=True)
    image = models.ImageField(upload_to="photos/%Y/%m/")
    taken_at = models.DateTimeField(null=True, blank=True)
    latitude = models.FloatField(null=True, blank=True, help_text="Only where the company keeps places.")
    longitude = models.FloatField(null=True, blank=True)

    class Meta:
        constraints = [
            both_or_neither("latitude", "longitude", "scheduling_closeoutphoto_whole_place"),
            models.CheckConstraint(
                condition=Q(latitude__isnull=True)
                | Q(latitude__range=(-90, 90), longitude__range=(-180, 180)),
                name="scheduling_closeoutphoto_place_on_earth",
            ),
        ]

    def __str__(self):
        return f"photo of {self.close_out_id}"


class FieldReportKind(models.TextChoices):
    """What a technician has for the office, beside the work itself."""

    LEAK = "leak", gettext_lazy("Leak")
    PUMP = "pump", gettext_lazy("Pump or valve failing")
    PART_USED = "part_used", gettext_lazy("Extra part used")
    UNKNOWN_UNIT = "unknown_unit", gettext_lazy("Unit that is not on the list")
    WISH = "wish", gettext_lazy("Customer asks for something")
    OTHER = "other", gettext_lazy("Something else")
    NOT_DONE = "not_done", gettext_lazy("Could not be done")


class FieldReport(models.Model):
    """Something found at a site that somebody in the office must answer."""

    client_id = models.UUIDField(unique=True, help_text="Made on the phone.")
    kind = models.CharField(max_length=12, choices=FieldReportKind)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="field_reports")
    treatment_unit = models.ForeignKey(
        TreatmentUnit, on_delete=models.PROTECT, null=True, blank=True, related_name="field_reports"
    )
    technician = models.ForeignKey(Technician, on_delete=models.PROTECT, related_name="field_reports")
    close_out = models.OneToOneField(
        CloseOut, on_delete=models.PROTECT, null=True, blank=True, related_name="field_report"
    )
    text = models.TextField(blank=True)
    offer = models.CharField(max_length=160, blank=True, help_text="When the customer says to come.")
    image = models.ImageField(upload_to="photos/%Y/%m/", blank=True)
    found_at = models.DateTimeField()
    received_at = models.DateTimeField()
    answer = models.TextField(blank=True)
    answered_at = models.DateTimeField(null=True, blank=True)
    answered_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    order = models.ForeignKey(
        WorkOrder, on_delete=models.PROTECT, null=True, blank=True, related_name="field_reports"
    )

    class Meta:
        ordering = ["-received_at", "-id"]
        constraints = [
            known_values("kind", FieldReportKind, "scheduling_fieldreport_kind_known"),
            both_or_neither("answered_at", "answered_by", "scheduling_fieldreport_answered_when_and_by"),
            models.CheckConstraint(
                condition=Q(answered_at__isnull=True) | ~Q(answer=""),
                name="scheduling_fieldreport_answered_in_words",
            ),
            models.CheckConstraint(
                condition=Q(kind="not_done", close_out__isnull=False)
                | ~Q(kind="not_done") & Q(close_out__isnull=True),
                name="scheduling_fieldreport_not_done_has_close_out",
            ),
        ]
        indexes = [
            models.Index(
                fields=["-received_at", "-id"],
                condition=Q(answered_at__isnull=True),
                name="scheduling_fieldreport_open",
            ),
        ]

    def __str__(self):
        return f"{self.kind} at {self.site_id}"
