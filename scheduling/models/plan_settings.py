"""What the planner is told: its price list as dated rows, and driving times set by hand."""

from datetime import time

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy

from fleet.models import Person, Site
from shared.model_parts import at_least


class PlanPriceList(models.Model):
    """The planner's prices from a day on, in minutes of driving. A change is a new row."""

    from_on = models.DateField(unique=True)
    site_visit_minutes = models.FloatField(default=8)
    late_day_minutes = models.FloatField(default=240)
    missed_minutes = models.FloatField(default=480)
    missed_per_day_minutes = models.FloatField(default=240)
    carry_over_least_minutes = models.FloatField(default=18)
    carry_over_most_minutes = models.FloatField(default=60)
    carry_over_days = models.PositiveSmallIntegerField(default=14)
    other_technician_minutes = models.FloatField(default=15)
    overtime_per_minute = models.FloatField(default=3)
    overtime_allowed_minutes = models.PositiveSmallIntegerField(default=0)
    fairness_per_minute = models.FloatField(default=0)
    lunch_earliest = models.TimeField(default=time(11, 15))
    lunch_latest = models.TimeField(default=time(13, 30))
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["-from_on"]
        constraints = [
            *(
                at_least(name, 0, f"scheduling_planpricelist_{name}_not_negative"[:63])
                for name in (
                    "site_visit_minutes",
                    "late_day_minutes",
                    "missed_minutes",
                    "missed_per_day_minutes",
                    "carry_over_least_minutes",
                    "other_technician_minutes",
                    "overtime_per_minute",
                    "fairness_per_minute",
                )
            ),
            models.CheckConstraint(
                condition=Q(carry_over_most_minutes__gte=F("carry_over_least_minutes")),
                name="scheduling_planpricelist_carry_over_in_order",
                violation_error_message=gettext_lazy(
                    "Carrying work over: the most may not be below the least."
                ),
            ),
            models.CheckConstraint(
                condition=Q(lunch_latest__gte=F("lunch_earliest")),
                name="scheduling_planpricelist_lunch_in_order",
                violation_error_message=gettext_lazy(
                    "Lunch can't begin at the latest before it begins at the earliest."
                ),
            ),
        ]

    def __str__(self):
        return f"prices from {self.from_on}"


class TravelCorrection(models.Model):
    """Minutes of driving between two sites as somebody knows them, both ways: a ferry, a closed bridge."""

    site_a = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="+")
    site_b = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="+")
    minutes = models.PositiveSmallIntegerField()
    because = models.CharField(max_length=160, blank=True)
    set_at = models.DateTimeField()
    set_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        ordering = ["site_a__name", "site_b__name"]
        constraints = [
            models.UniqueConstraint(fields=["site_a", "site_b"], name="scheduling_travelcorrection_once"),
            models.CheckConstraint(
                condition=Q(site_a__lt=F("site_b")),
                name="scheduling_travelcorrection_pair_in_order",
                violation_error_message=gettext_lazy(
                    "A pair of two different sites is kept once, the older site first."
                ),
            ),
            models.CheckConstraint(
                condition=Q(minutes__lte=1440), name="scheduling_travelcorrection_at_most_a_day"
            ),
        ]

    def __str__(self):
        return f"{self.site_a_id} – {self.site_b_id}: {self.minutes} min"
