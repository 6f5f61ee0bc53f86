"""What was earned. Added to, never edited; a correction names what it corrects."""

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy

from fleet.models import Person, Site, TreatmentUnit
from scheduling.models.close_outs import CloseOut
from scheduling.models.plans import ServicePlan
from shared.model_parts import known_values


class EntryKind(models.TextChoices):
    """Where an amount comes from."""

    PLAN = "plan", gettext_lazy("Service plan")
    WORK = "work", gettext_lazy("Work outside a plan")
    PARTS = "parts", gettext_lazy("Parts outside a plan")
    CREDIT = "credit", gettext_lazy("Credit")
    CORRECTION = "correction", gettext_lazy("Correction")


class RevenueEntry(models.Model):
    """One amount for one cause, in one month."""

    kind = models.CharField(max_length=10, choices=EntryKind)
    cause_key = models.CharField(max_length=120, unique=True)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="revenue_entries")
    treatment_unit = models.ForeignKey(TreatmentUnit, on_delete=models.PROTECT, null=True, blank=True)
    plan = models.ForeignKey(
        ServicePlan, on_delete=models.PROTECT, null=True, blank=True, related_name="revenue_entries"
    )
    close_out = models.ForeignKey(
        CloseOut, on_delete=models.PROTECT, null=True, blank=True, related_name="revenue_entries"
    )
    corrects = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="corrections"
    )
    month = models.DateField(help_text="First day of the month it is earned in.")
    amount = models.DecimalField(max_digits=12, decimal_places=2)
    text = models.CharField(max_length=200)
    entered_at = models.DateTimeField()
    entered_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True)

    class Meta:
        verbose_name_plural = "revenue entries"
        ordering = ["month", "id"]
        constraints = [
            known_values("kind", EntryKind, "scheduling_revenueentry_kind_known"),
            models.CheckConstraint(
                condition=Q(month__day=1), name="scheduling_revenueentry_month_is_first_day"
            ),
            models.CheckConstraint(
                condition=~Q(kind="correction") | Q(corrects__isnull=False),
                name="scheduling_revenueentry_correction_names_entry",
            ),
        ]
        indexes = [
            models.Index(fields=["site", "month"], name="scheduling_entry_site_month"),
            models.Index(fields=["month", "id"], name="scheduling_entry_month"),
            models.Index(fields=["entered_at", "id"], name="scheduling_entry_entered"),
        ]

    def __str__(self):
        return f"{self.month:%Y-%m} {self.amount} {self.text}"


class ClosedMonth(models.Model):
    """A month that takes no more entries."""

    month = models.DateField(unique=True)
    closed_at = models.DateTimeField()
    closed_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True)

    class Meta:
        ordering = ["-month"]

    def __str__(self):
        return f"{self.month:%Y-%m}"
