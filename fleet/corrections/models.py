"""What was wrong, and what is right. Added to, never edited: correcting a correction adds another row.

The corrected row itself holds what stands, so that whatever reads it reads the right value; of a reading that
is a further revision. What it said before stands here.
"""

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy

from fleet.people.models import Person
from fleet.register.models import Site, TreatmentUnit, WaterSupply
from shared.model_parts import known_values


class Corrected(models.TextChoices):
    """What can be corrected."""

    TOTAL = "meter_reading", gettext_lazy("Meter reading")
    GAUGES = "gauges", gettext_lazy("Gauges and flows")
    FEED_TEST = "feed_test", gettext_lazy("Feed test")
    PART = "part", gettext_lazy("Part")
    FLUSH = "flush", gettext_lazy("Flush")


class Door(models.TextChoices):
    """By which way something came in."""

    PAGE = "page", gettext_lazy("Page")
    API = "api", gettext_lazy("Another program")


class Correction(models.Model):
    """One value of one row, as it was and as it is since, as text.

    Figures in the column's own measure, moments in UTC.
    """

    of = models.CharField(max_length=14, choices=Corrected)
    first_id = models.BigIntegerField(
        help_text="The row as first recorded, the same for all its corrections."
    )
    now_id = models.BigIntegerField(help_text="The row that stands since.")
    treatment_unit = models.ForeignKey(
        TreatmentUnit, on_delete=models.PROTECT, null=True, blank=True, related_name="corrections"
    )
    site = models.ForeignKey(
        Site, on_delete=models.PROTECT, null=True, blank=True, related_name="corrections"
    )
    supply = models.ForeignKey(WaterSupply, on_delete=models.PROTECT, null=True, blank=True)
    about = models.CharField(max_length=120)
    field = models.CharField(max_length=40)
    was = models.CharField(max_length=60, blank=True)
    became = models.CharField(max_length=60, blank=True)
    reason = models.CharField(max_length=200)
    by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    door = models.CharField(max_length=4, choices=Door)
    at = models.DateTimeField()

    class Meta:
        ordering = ["at", "id"]
        constraints = [
            known_values("of", Corrected, "fleet_correction_of_known"),
            known_values("door", Door, "fleet_correction_door_known"),
            models.CheckConstraint(condition=~Q(reason=""), name="fleet_correction_says_why"),
            models.CheckConstraint(condition=~Q(was=F("became")), name="fleet_correction_changes_something"),
            models.CheckConstraint(
                condition=Q(treatment_unit__isnull=False) ^ Q(site__isnull=False) ^ Q(supply__isnull=False),
                name="fleet_correction_belongs_to_one",
            ),
        ]
        indexes = [
            models.Index(fields=["of", "now_id"], name="fleet_correction_of_row"),
            models.Index(fields=["of", "first_id"], name="fleet_correction_of_first"),
        ]

    def __str__(self):
        return f"{self.about} {self.field}: {self.was} → {self.became}"
