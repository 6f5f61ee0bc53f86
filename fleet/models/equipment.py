"""Treatment units, their positions and the parts in them, and recorded flushes."""

import uuid

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy

from fleet.models.catalogue import PartKind
from fleet.models.people import Person
from fleet.models.sites import Site
from shared.model_parts import at_least, between, both_or_neither, known_values


class TreatmentUnit(models.Model):
    """One reverse-osmosis machine at a customer's site."""

    serial = models.CharField(max_length=60, unique=True)
    label = models.CharField(max_length=120, blank=True, help_text="Where it stands, e.g. 'plant room'.")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="treatment_units")
    commissioned_on = models.DateField(null=True, blank=True)
    design_recovery = models.FloatField(default=0.5)
    design_use_gal_per_day = models.FloatField(help_text="Permeate the site is expected to use.")
    design_permeate_gpm = models.FloatField(help_text="Permeate flow while running, at 25 °C.")
    idle_limit_days = models.FloatField(default=14)
    mains_voltage = models.PositiveSmallIntegerField(default=120)
    is_out_of_service = models.BooleanField(default=False)
    out_of_service_reason = models.CharField(max_length=160, blank=True)
    label_code = models.UUIDField(default=uuid.uuid4, unique=True, editable=False)
    note = models.TextField(blank=True)

    class Meta:
        ordering = ["serial"]
        constraints = [
            between("design_recovery", 0.01, 0.99, "fleet_treatmentunit_recovery_range"),
            at_least("design_use_gal_per_day", 0, "fleet_treatmentunit_use_not_negative"),
            at_least("design_permeate_gpm", 0.001, "fleet_treatmentunit_flow_positive"),
            at_least("idle_limit_days", 0.5, "fleet_treatmentunit_idle_limit_positive"),
        ]

    def __str__(self):
        return self.serial


class PositionWater(models.TextChoices):
    """Which water a position sees."""

    FEED = "feed", gettext_lazy("Feed")
    PERMEATE = "permeate", gettext_lazy("Permeate")


class Position(models.Model):
    """A place for one part in a treatment unit, numbered along the water."""

    treatment_unit = models.ForeignKey(TreatmentUnit, on_delete=models.CASCADE, related_name="positions")
    code = models.SlugField(max_length=40)
    order = models.PositiveSmallIntegerField()
    water = models.CharField(max_length=8, choices=PositionWater)

    class Meta:
        ordering = ["treatment_unit", "order"]
        constraints = [
            models.UniqueConstraint(fields=["treatment_unit", "code"], name="fleet_position_code_once"),
            models.UniqueConstraint(fields=["treatment_unit", "order"], name="fleet_position_order_once"),
            known_values("water", PositionWater, "fleet_position_water_known"),
        ]

    def __str__(self):
        return f"{self.treatment_unit.serial} {self.code}"


class RemovalReason(models.TextChoices):
    """Why a part came out. Worn and failed end a life; the others cut it short."""

    WORN = "worn", gettext_lazy("Worn out")
    FAILED = "failed", gettext_lazy("Failed")
    EARLY = "early", gettext_lazy("Early, someone was there")
    UNKNOWN = "unknown", gettext_lazy("Not known")


class PartQuerySet(models.QuerySet):
    """Words about parts."""

    def in_place(self):
        """Keep the parts that are installed now."""
        return self.filter(removed_at__isnull=True)


class Part(models.Model):
    """One physical part with its time in a position. Extended by Cartridge and Membrane."""

    treatment_unit = models.ForeignKey(TreatmentUnit, on_delete=models.PROTECT, related_name="parts")
    position = models.ForeignKey(Position, on_delete=models.PROTECT, related_name="parts")
    kind = models.ForeignKey(PartKind, on_delete=models.PROTECT, related_name="parts")
    serial = models.CharField(max_length=60, blank=True)
    lot = models.CharField(max_length=60, blank=True)
    made_on = models.DateField(null=True, blank=True)
    installed_at = models.DateTimeField()
    removed_at = models.DateTimeField(null=True, blank=True)
    removal_reason = models.CharField(max_length=8, choices=RemovalReason, null=True, blank=True)
    clean_drop_psi = models.FloatField(null=True, blank=True, help_text="Pressure drop when new.")
    clean_drop_flow_gpm = models.FloatField(null=True, blank=True)

    objects = PartQuerySet.as_manager()

    class Meta:
        ordering = ["position", "installed_at", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(removed_at__isnull=True) | Q(removed_at__gte=F("installed_at")),
                name="fleet_part_removed_after_installed",
                violation_error_message=gettext_lazy("A part can't be removed before it was installed."),
            ),
            both_or_neither("removed_at", "removal_reason", "fleet_part_removal_date_and_reason"),
            models.UniqueConstraint(
                fields=["position"],
                condition=Q(removed_at__isnull=True),
                name="fleet_part_one_in_place_per_position",
                violation_error_message=gettext_lazy("Another part is in this position; take it out first."),
            ),
            models.CheckConstraint(
                condition=Q(removal_reason__isnull=True) | Q(removal_reason__in=RemovalReason.values),
                name="fleet_part_removal_reason_known",
            ),
        ]
        indexes = [
            models.Index(fields=["treatment_unit", "removed_at"], name="fleet_part_of_unit"),
            models.Index(fields=["lot"], name="fleet_part_by_lot"),
        ]

    def __str__(self):
        return f"{self.kind} in {self.position}"


class Cartridge(Part):
    """A filter cartridge or bed."""


class Membrane(Part):
    """A membrane element, with what the maker measured on it."""

    factory_rejection = models.FloatField(null=True, blank=True, help_text="Fraction on the maker's sheet.")

    class Meta:
        constraints = [between("factory_rejection", 0, 1, "fleet_membrane_rejection_fraction")]


class FlushKind(models.TextChoices):
    """What a recorded flush was for."""

    CARBON_FINES = "carbon_fines", gettext_lazy("Carbon fines")
    BEDDED_OVERNIGHT = "bedded_overnight", gettext_lazy("Second flush after a night's bedding")
    MEMBRANE_STORAGE_SOLUTION = "membrane_storage_solution", gettext_lazy("Membrane storage solution")
    IDLE = "idle", gettext_lazy("After standing idle")
    SANITISED = "sanitised", gettext_lazy("After sanitising")
    BED_STARTED = "bed_started", gettext_lazy("Bed left standing overnight")


class Flush(models.Model):
    """A flush as it was done. Only this clears what is owed."""

    treatment_unit = models.ForeignKey(TreatmentUnit, on_delete=models.PROTECT, related_name="flushes")
    part = models.ForeignKey(Part, on_delete=models.PROTECT, null=True, blank=True, related_name="flushes")
    kind = models.CharField(max_length=28, choices=FlushKind)
    flushed_at = models.DateTimeField()
    volume_gal = models.FloatField(default=0)
    minutes = models.FloatField(default=0)
    ran_clear = models.BooleanField(default=False)
    recorded_by = models.ForeignKey(Person, on_delete=models.PROTECT, null=True, blank=True)
    client_id = models.UUIDField(default=uuid.uuid4, unique=True)

    class Meta:
        verbose_name_plural = "flushes"
        ordering = ["-flushed_at", "id"]
        constraints = [
            known_values("kind", FlushKind, "fleet_flush_kind_known"),
            at_least("volume_gal", 0, "fleet_flush_volume_not_negative"),
            at_least("minutes", 0, "fleet_flush_minutes_not_negative"),
        ]
        indexes = [models.Index(fields=["treatment_unit", "flushed_at"], name="fleet_flush_of_unit")]

    def __str__(self):
        return f"{self.treatment_unit.serial} {self.kind} {self.flushed_at:%Y-%m-%d}"
