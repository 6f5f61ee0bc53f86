"""Service plans: what was promised, how often, at what price."""

from datetime import datetime
from decimal import Decimal
from typing import Final, Self

from django.db import models, transaction
from django.db.models import F, Q
from django.utils.translation import gettext_lazy

from fleet.models import Person, Site, TreatmentUnit
from shared.model_parts import History, at_least, between, known_values


class PlanInterval(models.TextChoices):
    """How often a plan earns its price."""

    MONTH = "month", gettext_lazy("Month")
    QUARTER = "quarter", gettext_lazy("Quarter")
    YEAR = "year", gettext_lazy("Year")


class ServicePlan(models.Model):
    """A promise to a site, or to one treatment unit there."""

    code = models.CharField(max_length=40, unique=True)
    name = models.CharField(max_length=120)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="plans")
    treatment_unit = models.ForeignKey(
        TreatmentUnit, on_delete=models.PROTECT, null=True, blank=True, related_name="plans"
    )
    interval = models.CharField(max_length=8, choices=PlanInterval, default=PlanInterval.MONTH)
    visit_every_months = models.PositiveSmallIntegerField(null=True, blank=True)
    includes_parts = models.BooleanField(default=True)
    starts_on = models.DateField()
    ends_on = models.DateField(null=True, blank=True, help_text="First day not covered.")
    renews_on = models.DateField(null=True, blank=True)
    notice_days = models.PositiveSmallIntegerField(default=30)
    escalator_percent = models.DecimalField(
        max_digits=5,
        decimal_places=2,
        default=Decimal("0"),
        help_text="By how much the price rises on each anniversary; dated changes stand in PlanTerms.",
    )
    included_visits_per_year = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="More visits are outside the plan; empty: as many as needed."
    )

    class Meta:
        ordering = ["site", "code"]
        constraints = [
            known_values("interval", PlanInterval, "scheduling_serviceplan_interval_known"),
            models.CheckConstraint(
                condition=Q(ends_on__isnull=True) | Q(ends_on__gt=F("starts_on")),
                name="scheduling_serviceplan_ends_after_start",
                violation_error_message=gettext_lazy("A plan ends after it starts."),
            ),
            between("escalator_percent", 0, 100, "scheduling_serviceplan_escalator_range"),
        ]

    def __str__(self):
        return f"{self.code} {self.name}"


class PlanPrice(models.Model):
    """The price of a plan from a day on. Never overwritten: a new price is a new row."""

    history = History()

    plan = models.ForeignKey(ServicePlan, on_delete=models.PROTECT, related_name="prices")
    from_on = models.DateField()
    amount = models.DecimalField(max_digits=10, decimal_places=2, help_text="Per interval, before tax.")
    change = models.ForeignKey(
        "PriceChange", on_delete=models.PROTECT, null=True, blank=True, related_name="prices"
    )

    class Meta:
        ordering = ["plan", "from_on"]
        constraints = [
            models.UniqueConstraint(fields=["plan", "from_on"], name="scheduling_planprice_once_per_day"),
            at_least("amount", 0, "scheduling_planprice_not_negative"),
        ]

    def __str__(self):
        return f"{self.plan_id} {self.amount} from {self.from_on}"


TAKEN_BACK: Final = ("taken_back_at", "taken_back_by")


class Voidable(models.Model):
    """A row that may be taken back: it stays, with who did so and when, and counts no more."""

    taken_back_at = models.DateTimeField(null=True, blank=True)
    taken_back_by = models.ForeignKey(
        Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    class Meta:
        abstract = True

    @transaction.atomic
    def void(self, *, by: Person | None, now: datetime) -> Self:
        """Take the row back; doing so again changes nothing."""
        row = type(self)._default_manager.select_for_update().get(pk=self.pk)
        if row.taken_back_at is None:
            row.taken_back_at, row.taken_back_by = now, by
            row.save(update_fields=["taken_back_at", "taken_back_by"])
        return row


class PlanTerms(Voidable):
    """What a plan's escalator and included visits are from a day on. Taken back, never changed."""

    history = History(changeable=TAKEN_BACK)

    plan = models.ForeignKey(ServicePlan, on_delete=models.PROTECT, related_name="terms")
    from_on = models.DateField()
    escalator_percent = models.DecimalField(max_digits=5, decimal_places=2, default=Decimal("0"))
    included_visits_per_year = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text="Empty: as many as needed."
    )
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        verbose_name_plural = "plan terms"
        ordering = ["plan", "from_on", "id"]
        constraints = [
            models.UniqueConstraint(
                fields=["plan", "from_on"],
                condition=Q(taken_back_at__isnull=True),
                name="scheduling_planterms_once_per_day",
                violation_error_message=gettext_lazy("The plan has terms from that day on already."),
            ),
            between("escalator_percent", 0, 100, "scheduling_planterms_escalator_range"),
        ]

    def __str__(self):
        return f"{self.plan_id} terms from {self.from_on}"


class PriceChange(Voidable):
    """One change of many plans' prices from a day on. What it made of each plan stays in ``lines``.

    While nothing of it has been invoiced it may be taken back; the prices it wrote are gone then.
    """

    from_on = models.DateField()
    percent = models.DecimalField(max_digits=6, decimal_places=2, null=True, blank=True)
    amount = models.DecimalField(
        max_digits=10, decimal_places=2, null=True, blank=True, help_text="Added per plan's own interval."
    )
    chosen = models.CharField(max_length=300, blank=True, help_text="Which plans, as they were chosen.")
    lines = models.JSONField(default=list, help_text="Of each plan: code, old and new price.")
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["-made_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(percent__isnull=True, amount__isnull=False)
                | Q(percent__isnull=False, amount__isnull=True),
                name="scheduling_pricechange_percent_or_amount",
            ),
        ]

    def __str__(self):
        return f"{len(self.lines)} plans from {self.from_on}"
