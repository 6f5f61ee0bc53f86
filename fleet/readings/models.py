"""Meters and what was read. Readings are added, never edited: a correction is a higher revision."""

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy

from fleet.register.models import TreatmentUnit
from shared.model_parts import at_least, between, known_values
from shared.translation import MessageField


class MeterWater(models.TextChoices):
    """Which water a meter counts."""

    FEED = "feed", gettext_lazy("Feed")
    PERMEATE = "permeate", gettext_lazy("Permeate")
    CONCENTRATE = "concentrate", gettext_lazy("Concentrate")


class MeterMeasure(models.TextChoices):
    """What a meter's register counts in."""

    GALLON = "gal", gettext_lazy("US gallons")
    LITRE = "L", "litres"
    CUBIC_METRE = "m3", gettext_lazy("cubic metres")
    CUBIC_FOOT = "ft3", gettext_lazy("cubic feet")


class Meter(models.Model):
    """One water meter and its time in place."""

    treatment_unit = models.ForeignKey(TreatmentUnit, on_delete=models.PROTECT, related_name="meters")
    water = models.CharField(max_length=12, choices=MeterWater, default=MeterWater.PERMEATE)
    serial = models.CharField(max_length=60, blank=True)
    measure = models.CharField(max_length=4, choices=MeterMeasure, default=MeterMeasure.GALLON)
    digits = models.PositiveSmallIntegerField(default=7)
    installed_at = models.DateTimeField()
    removed_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["treatment_unit", "water", "installed_at"]
        constraints = [
            known_values("water", MeterWater, "fleet_meter_water_known"),
            known_values("measure", MeterMeasure, "fleet_meter_measure_known"),
            between("digits", 3, 12, "fleet_meter_digits_range"),
            models.CheckConstraint(
                condition=Q(removed_at__isnull=True) | Q(removed_at__gte=F("installed_at")),
                name="fleet_meter_removed_after_installed",
            ),
            models.UniqueConstraint(
                fields=["treatment_unit", "water"],
                condition=Q(removed_at__isnull=True),
                name="fleet_meter_one_in_place_per_water",
            ),
        ]

    def __str__(self):
        return f"{self.treatment_unit.serial} {self.water} meter {self.serial}".strip()


class ReadingSource(models.TextChoices):
    """How a reading came in."""

    FILE = "file", gettext_lazy("Spreadsheet")
    PHONE = "phone", gettext_lazy("Technician's phone")
    TELEMETRY = "telemetry", gettext_lazy("Telemetry")
    API = "api", gettext_lazy("Another program")
    OFFICE = "office", gettext_lazy("Typed in the office")


class MeterReading(models.Model):
    """A register total. ``treatment_unit`` and ``water`` repeat the meter's, so that a shard reads one table.

    Nothing points at this table: installations begun before it was kept in one piece have it in partitions.
    """

    treatment_unit = models.ForeignKey(
        TreatmentUnit, on_delete=models.PROTECT, related_name="+", db_index=False
    )
    meter = models.ForeignKey(Meter, on_delete=models.PROTECT, related_name="readings", db_index=False)
    water = models.CharField(max_length=12, choices=MeterWater)
    read_at = models.DateTimeField()
    total = models.FloatField(help_text="As the register shows, in the meter's own measure.")
    total_gal = models.FloatField()
    rollover_gal = models.FloatField()
    revision = models.PositiveSmallIntegerField(default=0)
    is_latest = models.BooleanField(default=True)
    source = models.CharField(max_length=10, choices=ReadingSource)
    recorded_at = models.DateTimeField()
    doubt = MessageField(
        null=True, blank=True, help_text="What was odd when it came in, and why it was kept."
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["meter", "read_at", "revision"], name="fleet_meterreading_once_per_moment"
            ),
            models.UniqueConstraint(
                fields=["meter", "read_at"],
                condition=Q(is_latest=True),
                name="fleet_meterreading_one_latest",
            ),
            known_values("water", MeterWater, "fleet_meterreading_water_known"),
            known_values("source", ReadingSource, "fleet_meterreading_source_known"),
            at_least("total", 0, "fleet_meterreading_total_not_negative"),
            at_least("total_gal", 0, "fleet_meterreading_total_gal_not_negative"),
        ]
        indexes = [
            models.Index(fields=["treatment_unit", "water", "read_at"], name="fleet_meterreading_columns"),
        ]

    def __str__(self):
        return f"{self.meter_id} {self.read_at:%Y-%m-%d} {self.total}"


class PerformanceReading(models.Model):
    """Gauges and flows read at one moment after run-in."""

    treatment_unit = models.ForeignKey(
        TreatmentUnit, on_delete=models.PROTECT, related_name="performance_readings", db_index=False
    )
    read_at = models.DateTimeField()
    feed_pressure_psi = models.FloatField(null=True, blank=True)
    concentrate_pressure_psi = models.FloatField(null=True, blank=True)
    permeate_pressure_psi = models.FloatField(null=True, blank=True)
    feed_temperature_c = models.FloatField(null=True, blank=True)
    feed_conductivity_us_cm = models.FloatField(null=True, blank=True)
    permeate_conductivity_us_cm = models.FloatField(null=True, blank=True)
    permeate_flow_gpm = models.FloatField(null=True, blank=True)
    concentrate_flow_gpm = models.FloatField(null=True, blank=True)
    sediment_inlet_psi = models.FloatField(null=True, blank=True)
    sediment_outlet_psi = models.FloatField(null=True, blank=True)
    chlorine_after_carbon_mg_l = models.FloatField(null=True, blank=True)
    saw_fines = models.BooleanField(default=False)
    revision = models.PositiveSmallIntegerField(default=0)
    is_latest = models.BooleanField(default=True)
    source = models.CharField(max_length=10, choices=ReadingSource)
    recorded_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["treatment_unit", "read_at", "revision"],
                name="fleet_performancereading_once_per_moment",
            ),
            models.UniqueConstraint(
                fields=["treatment_unit", "read_at"],
                condition=Q(is_latest=True),
                name="fleet_performancereading_one_latest",
            ),
            known_values("source", ReadingSource, "fleet_performancereading_source_known"),
            between("feed_temperature_c", 0, 60, "fleet_performancereading_temperature_range"),
            between("feed_pressure_psi", 0, 1500, "fleet_performancereading_feed_pressure_range"),
            at_least("permeate_flow_gpm", 0, "fleet_performancereading_flow_not_negative"),
            at_least("permeate_conductivity_us_cm", 0, "fleet_performancereading_conductivity_not_negative"),
            at_least("chlorine_after_carbon_mg_l", 0, "fleet_performancereading_chlorine_not_negative"),
        ]

    def __str__(self):
        return f"{self.treatment_unit_id} {self.read_at:%Y-%m-%d}"
