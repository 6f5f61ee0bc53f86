"""Customers, sites, water supplies and feed tests.

What parts can be bought, with their ratings, and models of treatment units with their positions.
Treatment units, their positions and the parts in them, and recorded flushes.
"""

import uuid
from decimal import Decimal

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy

from fleet.people.models import Branch, Person
from shared.model_parts import at_least, between, both_or_neither, known_values
from shared.translation import MessageField


class Customer(models.Model):
    """Who pays."""

    code = models.CharField(max_length=40, unique=True)
    name = models.CharField(max_length=160)
    email = models.EmailField(blank=True)
    phone = models.CharField(max_length=40, blank=True)
    wants_notices = models.BooleanField(default=True)
    billing_address = models.TextField(blank=True, db_default="", default="")
    note = models.TextField(blank=True, db_default="", default="")
    merged_into = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, blank=True, editable=False, related_name="merged_from"
    )

    class Meta:
        ordering = ["name", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(merged_into__isnull=True) | ~Q(merged_into=F("id")),
                name="fleet_customer_merged_into_another",
            ),
        ]

    def __str__(self):
        return self.name


class CustomerContact(models.Model):
    """Somebody to speak to at a customer's."""

    customer = models.ForeignKey(Customer, on_delete=models.CASCADE, related_name="contacts")
    name = models.CharField(max_length=120)
    task = models.CharField(max_length=80, blank=True, help_text="What for, e.g. 'keys' or 'invoices'.")
    phone = models.CharField(max_length=40, blank=True)
    email = models.EmailField(blank=True)

    class Meta:
        ordering = ["customer", "name", "id"]
        constraints = [
            models.UniqueConstraint(fields=["customer", "name"], name="fleet_customercontact_name_once"),
        ]

    def __str__(self):
        return self.name


class SupplyKind(models.TextChoices):
    """Who treats the water before the site gets it."""

    UTILITY = "utility", gettext_lazy("Utility")
    WELL = "well", gettext_lazy("Well")


class WaterSupply(models.Model):
    """Where feed water comes from when the site has no test of its own."""

    code = models.CharField(max_length=40, unique=True)
    name = models.CharField(max_length=160)
    kind = models.CharField(max_length=8, choices=SupplyKind, default=SupplyKind.UTILITY)

    class Meta:
        verbose_name_plural = "water supplies"
        constraints = [known_values("kind", SupplyKind, "fleet_watersupply_kind_known")]

    def __str__(self):
        return self.name


class Site(models.Model):
    """A place with treatment units, and how to get to it."""

    code = models.CharField(max_length=40, unique=True)
    name = models.CharField(max_length=160)
    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="sites")
    branch = models.ForeignKey(Branch, on_delete=models.PROTECT, related_name="sites")
    supply = models.ForeignKey(WaterSupply, on_delete=models.PROTECT, null=True, blank=True)
    address = models.CharField(max_length=240, blank=True)
    area = models.CharField(max_length=80, blank=True)
    latitude = models.FloatField(null=True, blank=True)
    longitude = models.FloatField(null=True, blank=True)
    time_zone = models.CharField(max_length=64, default="America/Chicago")
    kind = models.CharField(max_length=40, blank=True, help_text="Like sites lend each other their use.")
    access_note = models.CharField(max_length=240, blank=True)
    is_closed = models.BooleanField(default=False)
    closed_on = models.DateField(null=True, blank=True, help_text="First day it is not visited.")
    reopens_on = models.DateField(null=True, blank=True, help_text="First day it is visited again.")

    class Meta:
        ordering = ["name", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(reopens_on__isnull=True)
                | Q(closed_on__isnull=False, reopens_on__gt=F("closed_on")),
                name="fleet_site_reopens_after_it_closed",
                violation_error_message=gettext_lazy("A site reopens on a day after the one it closed on."),
            ),
            models.UniqueConstraint(fields=["customer", "name"], name="fleet_site_name_once_per_customer"),
            between("latitude", -90, 90, "fleet_site_latitude_on_earth"),
            between("longitude", -180, 180, "fleet_site_longitude_on_earth"),
        ]

    def __str__(self):
        return self.name

    @property
    def is_place_to_confirm(self) -> bool:
        """Whether it is placed roughly only; coordinates that came later are not."""
        rough = getattr(self, "place", None)
        here = (self.latitude, self.longitude)
        return bool(rough and not rough.confirmed_at and here == (rough.latitude, rough.longitude))


class FormerCustomer(models.Model):
    """Whose a site was up to a day: what was earned before it stays that customer's."""

    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="former_customers")
    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="former_sites")
    until_on = models.DateField(help_text="First day it was the next customer's.")

    class Meta:
        ordering = ["site", "until_on"]
        constraints = [
            models.UniqueConstraint(fields=["site", "until_on"], name="fleet_formercustomer_once_per_day"),
        ]

    def __str__(self):
        return f"{self.site_id} {self.customer_id} until {self.until_on}"


class FeedTest(models.Model):
    """A feed-water test of a site or of a whole supply. Never edited; a later test takes over."""

    site = models.ForeignKey(Site, on_delete=models.PROTECT, null=True, blank=True, related_name="feed_tests")
    supply = models.ForeignKey(
        WaterSupply, on_delete=models.PROTECT, null=True, blank=True, related_name="feed_tests"
    )
    sampled_at = models.DateTimeField()
    free_chlorine_mg_l = models.FloatField(null=True, blank=True)
    chloramine_mg_l = models.FloatField(null=True, blank=True)
    hardness_mg_l = models.FloatField(null=True, blank=True, help_text="As CaCO3.")
    calcium_hardness_mg_l = models.FloatField(null=True, blank=True, help_text="As CaCO3.")
    alkalinity_mg_l = models.FloatField(null=True, blank=True, help_text="As CaCO3.")
    tds_mg_l = models.FloatField(null=True, blank=True)
    conductivity_us_cm = models.FloatField(null=True, blank=True)
    ph = models.FloatField(null=True, blank=True)
    temperature_c = models.FloatField(null=True, blank=True)
    iron_mg_l = models.FloatField(null=True, blank=True)
    manganese_mg_l = models.FloatField(null=True, blank=True)
    silica_mg_l = models.FloatField(null=True, blank=True)
    sulfate_mg_l = models.FloatField(null=True, blank=True)
    turbidity_ntu = models.FloatField(null=True, blank=True)
    recorded_at = models.DateTimeField()
    source = models.CharField(max_length=40, blank=True)

    class Meta:
        ordering = ["-sampled_at", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(site__isnull=False, supply__isnull=True)
                | Q(site__isnull=True, supply__isnull=False),
                name="fleet_feedtest_site_or_supply",
                violation_error_message=gettext_lazy(
                    "A feed test belongs to a site or to a supply, not both."
                ),
            ),
            models.UniqueConstraint(
                fields=["site", "sampled_at"],
                condition=Q(site__isnull=False),
                name="fleet_feedtest_once_per_site_and_moment",
            ),
            models.UniqueConstraint(
                fields=["supply", "sampled_at"],
                condition=Q(supply__isnull=False),
                name="fleet_feedtest_once_per_supply_and_moment",
            ),
            between("ph", 0, 14, "fleet_feedtest_ph_range"),
            between("free_chlorine_mg_l", 0, 50, "fleet_feedtest_free_chlorine_range"),
            between("chloramine_mg_l", 0, 50, "fleet_feedtest_chloramine_range"),
            between("hardness_mg_l", 0, 5000, "fleet_feedtest_hardness_range"),
            between("temperature_c", 0, 60, "fleet_feedtest_temperature_range"),
            at_least("tds_mg_l", 0, "fleet_feedtest_tds_not_negative"),
            at_least("conductivity_us_cm", 0, "fleet_feedtest_conductivity_not_negative"),
        ]

    def __str__(self):
        return f"{self.site or self.supply} {self.sampled_at:%Y-%m-%d}"


class PartRole(models.TextChoices):
    """What a part does to the water. Numbers of ``fleet.science.columns.PartRole`` in ``ROLE_NUMBERS``."""

    SEDIMENT = "sediment", gettext_lazy("Sediment")
    CARBON = "carbon", gettext_lazy("Carbon")
    CATALYTIC_CARBON = "catalytic_carbon", gettext_lazy("Catalytic carbon")
    MEMBRANE = "membrane", gettext_lazy("Membrane")
    SOFTENING = "softening", gettext_lazy("Softening")
    ANTISCALE = "antiscale", gettext_lazy("Anti-scale")
    POST_CARBON = "post_carbon", gettext_lazy("Post carbon")
    REMINERALISER = "remineraliser", gettext_lazy("Remineraliser")


class MembraneType(models.TextChoices):
    """Polyamide is spoiled by chlorine; cellulose triacetate needs it."""

    NOT_A_MEMBRANE = "", gettext_lazy("Not a membrane")
    POLYAMIDE = "polyamide", gettext_lazy("Polyamide")
    CELLULOSE_TRIACETATE = "cellulose_triacetate", gettext_lazy("Cellulose triacetate")


class PartKind(models.Model):
    """One line of the catalogue. Empty rating: the limit does not apply."""

    code = models.CharField(max_length=40, unique=True)
    name = models.CharField(max_length=160)
    role = models.CharField(max_length=20, choices=PartRole)
    rated_gal = models.FloatField(null=True, blank=True)
    rated_months = models.FloatField(null=True, blank=True)
    shelf_life_months = models.FloatField(null=True, blank=True)
    rating_chlorine_mg_l = models.FloatField(
        null=True, blank=True, help_text="Challenge concentration of the rating."
    )
    chloramine_factor = models.FloatField(
        null=True, blank=True, help_text="Capacity that 1 mg/L of chloramine takes, in free chlorine."
    )
    bed_volume_ft3 = models.FloatField(null=True, blank=True)
    rated_flow_gpm = models.FloatField(null=True, blank=True)
    terminal_drop_psi = models.FloatField(null=True, blank=True)
    rated_hardness_mg_l = models.FloatField(null=True, blank=True)
    hardness_capacity_grains = models.FloatField(null=True, blank=True)
    oxidant_tolerance_mg_h_l = models.FloatField(null=True, blank=True)
    membrane_type = models.CharField(max_length=20, choices=MembraneType, default="", blank=True)
    rated_permeate_gal_per_day = models.FloatField(null=True, blank=True)
    temperature_k_below_25 = models.FloatField(null=True, blank=True)
    temperature_k_from_25 = models.FloatField(null=True, blank=True)
    needs_flush = models.BooleanField(default=False)
    flush_gal = models.FloatField(null=True, blank=True)
    flush_gpm = models.FloatField(null=True, blank=True)
    change_minutes = models.PositiveSmallIntegerField(default=20)
    cost = models.DecimalField(max_digits=10, decimal_places=2, default=Decimal("0"))
    price = models.DecimalField(max_digits=10, decimal_places=2, default=Decimal("0"))
    learned_life_gal = models.FloatField(null=True, blank=True, editable=False)
    learned_life_shape = models.FloatField(null=True, blank=True, editable=False)

    class Meta:
        ordering = ["role", "name", "id"]
        constraints = [
            known_values("role", PartRole, "fleet_partkind_role_known"),
            known_values("membrane_type", MembraneType, "fleet_partkind_membrane_type_known"),
            models.CheckConstraint(
                condition=(Q(role="membrane") & ~Q(membrane_type=""))
                | (~Q(role="membrane") & Q(membrane_type="")),
                name="fleet_partkind_membrane_has_type",
                violation_error_message=gettext_lazy("A membrane names its type; nothing else does."),
            ),
            at_least("rated_gal", 1, "fleet_partkind_rated_gal_positive"),
            at_least("rated_months", 0.1, "fleet_partkind_rated_months_positive"),
            at_least("rating_chlorine_mg_l", 0.01, "fleet_partkind_rating_chlorine_positive"),
            at_least("flush_gal", 0, "fleet_partkind_flush_gal_not_negative"),
            at_least("flush_gpm", 0.01, "fleet_partkind_flush_gpm_positive"),
            at_least("cost", 0, "fleet_partkind_cost_not_negative"),
            at_least("price", 0, "fleet_partkind_price_not_negative"),
        ]

    def __str__(self):
        return self.name


class MakeUp(models.Model):
    """What stands in or beside a treatment unit that its work has to mind; null: nobody has said."""

    has_electric_inlet_valve = models.BooleanField(
        gettext_lazy("Electric inlet valve"), null=True, blank=True
    )
    has_pump = models.BooleanField(gettext_lazy("Pump"), null=True, blank=True)
    has_tank = models.BooleanField(gettext_lazy("Storage tank"), null=True, blank=True)
    has_softener = models.BooleanField(gettext_lazy("Softener"), null=True, blank=True)
    has_uv = models.BooleanField(gettext_lazy("UV lamp"), null=True, blank=True)

    class Meta:
        abstract = True

    @classmethod
    def names(cls) -> tuple[str, ...]:
        """Return the names of these columns."""
        return tuple(column.name for column in MakeUp._meta.local_fields)

    def make_up(self) -> list[tuple[str, bool | None]]:
        """Return what there is, is not, or nobody has said, each with its word."""
        return [(str(self._meta.get_field(name).verbose_name), getattr(self, name)) for name in self.names()]


class UnitModel(MakeUp):
    """A kind of treatment unit as it is bought: what a new one starts from, copied into the unit."""

    code = models.CharField(max_length=40, unique=True)
    name = models.CharField(max_length=160)
    design_recovery = models.FloatField(default=0.5)
    design_use_gal_per_day = models.FloatField(help_text="Permeate a site is usually expected to use.")
    design_permeate_gpm = models.FloatField(help_text="Permeate flow while running, at 25 °C.")
    idle_limit_days = models.FloatField(default=14)
    mains_voltage = models.PositiveSmallIntegerField(default=120)

    class Meta:
        ordering = ["name", "id"]
        constraints = [
            between("design_recovery", 0.01, 0.99, "fleet_unitmodel_recovery_range"),
            at_least("design_use_gal_per_day", 0, "fleet_unitmodel_use_not_negative"),
            at_least("design_permeate_gpm", 0.001, "fleet_unitmodel_flow_positive"),
            at_least("idle_limit_days", 0.5, "fleet_unitmodel_idle_limit_positive"),
        ]

    def __str__(self):
        return self.name


class TreatmentUnit(MakeUp):
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
    unit_model = models.ForeignKey(
        UnitModel, on_delete=models.PROTECT, null=True, blank=True, db_index=False, related_name="+"
    )
    promised_conductivity_us_cm = models.PositiveIntegerField(
        null=True, blank=True, help_text="At most so much at the tap, as the customer was promised."
    )
    retired_on = models.DateField(null=True, blank=True, help_text="First day it serves nowhere any more.")
    retired_because = models.CharField(max_length=160, blank=True, db_default="", default="")

    class Meta:
        ordering = ["serial"]
        constraints = [
            models.CheckConstraint(
                condition=Q(retired_on__isnull=True) | (Q(is_out_of_service=True) & ~Q(retired_because="")),
                name="fleet_treatmentunit_retired_with_reason",
                violation_error_message=gettext_lazy("A retired unit is out of service and says why."),
            ),
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


class UnitModelPosition(models.Model):
    """A position of a model, with the part that usually goes there."""

    unit_model = models.ForeignKey(UnitModel, on_delete=models.CASCADE, related_name="positions")
    code = models.SlugField(max_length=40)
    order = models.PositiveSmallIntegerField()
    water = models.CharField(max_length=8, choices=PositionWater)
    usual_kind = models.ForeignKey(
        PartKind, on_delete=models.PROTECT, null=True, blank=True, related_name="usual_in"
    )

    class Meta:
        ordering = ["unit_model", "order"]
        constraints = [
            models.UniqueConstraint(fields=["unit_model", "code"], name="fleet_unitmodelposition_code_once"),
            models.UniqueConstraint(
                fields=["unit_model", "order"], name="fleet_unitmodelposition_order_once"
            ),
            known_values("water", PositionWater, "fleet_unitmodelposition_water_known"),
        ]

    def __str__(self):
        return f"{self.unit_model_id} {self.code}"


class UnitStay(models.Model):
    """A time a treatment unit stood at a site where it stands no more."""

    treatment_unit = models.ForeignKey(TreatmentUnit, on_delete=models.CASCADE, related_name="stays")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="former_units")
    from_on = models.DateField(null=True, blank=True)
    until_on = models.DateField(help_text="First day it stood elsewhere.")

    class Meta:
        ordering = ["treatment_unit", "until_on", "id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(from_on__isnull=True) | Q(until_on__gte=F("from_on")),
                name="fleet_unitstay_ends_after_start",
            ),
        ]

    def __str__(self):
        return f"{self.treatment_unit_id} at {self.site_id} until {self.until_on}"


class UnitSwap(models.Model):
    """One treatment unit put in another's place."""

    old = models.OneToOneField(TreatmentUnit, on_delete=models.CASCADE, related_name="replaced")
    new = models.OneToOneField(TreatmentUnit, on_delete=models.CASCADE, related_name="replaces")
    swapped_on = models.DateField()

    class Meta:
        ordering = ["-swapped_on", "-id"]
        constraints = [
            models.CheckConstraint(condition=~Q(old=F("new")), name="fleet_unitswap_two_units"),
        ]

    def __str__(self):
        return f"{self.old_id} → {self.new_id}"


class RemovalReason(models.TextChoices):
    """Why a part came out. Worn and failed end a life; the others cut it short."""

    WORN = "worn", gettext_lazy("Exhausted")
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


class RemovalEvidence(models.Model):
    """What was measured before a part came out. Never edited; it goes when the removal is undone."""

    part = models.OneToOneField(Part, on_delete=models.CASCADE, related_name="removal_evidence")
    measured_at = models.DateTimeField()
    total_chlorine_behind_mg_l = models.FloatField(null=True, blank=True)
    delta_p_psi = models.FloatField(null=True, blank=True, help_text="Across the old part, at usual flow.")
    permeate_conductivity_us_cm = models.FloatField(null=True, blank=True)

    class Meta:
        verbose_name_plural = "removal evidence"
        constraints = [
            between("total_chlorine_behind_mg_l", 0, 50, "fleet_removalevidence_chlorine_range"),
            between("delta_p_psi", 0, 500, "fleet_removalevidence_delta_p_range"),
            between("permeate_conductivity_us_cm", 0, 100_000, "fleet_removalevidence_conductivity_range"),
        ]

    def __str__(self):
        return f"evidence of {self.part_id}"


class Flush(models.Model):
    """A flush as it was done. Only this clears what is owed."""

    treatment_unit = models.ForeignKey(TreatmentUnit, on_delete=models.PROTECT, related_name="flushes")
    part = models.ForeignKey(Part, on_delete=models.PROTECT, null=True, blank=True, related_name="flushes")
    kind = models.CharField(max_length=28, choices=FlushKind)
    flushed_at = models.DateTimeField()
    volume_gal = models.FloatField(default=0)
    minutes = models.FloatField(default=0)
    ran_clear = models.BooleanField(default=False)
    missing = MessageField(
        blank=True, default="", db_default="", help_text="What it lacked, so that it clears nothing."
    )
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


class PlaceSource(models.TextChoices):
    """How it is known where a site is."""

    TYPED = "typed", gettext_lazy("Typed coordinates")
    TOWN = "town", gettext_lazy("Its town")
    POSTAL_CODE = "postal_code", gettext_lazy("Its postal code")
    MAP = "map", gettext_lazy("Shown on the map")
    GEOCODER = "geocoder", gettext_lazy("Geocoder")
    PHONE = "phone", gettext_lazy("A phone at a visit")


class SitePlaceQuerySet(models.QuerySet):
    """Words about places."""

    def to_confirm(self):
        """Keep those that are rough, where the site still has these coordinates: others came later."""
        stands = Q(latitude=F("site__latitude"), longitude=F("site__longitude"))
        return self.filter(stands, confirmed_at__isnull=True)


class SitePlace(models.Model):
    """How a site got the coordinates it has, and how near they are. None: they came in as coordinates."""

    site = models.OneToOneField(Site, on_delete=models.CASCADE, related_name="place")
    latitude = models.FloatField()
    longitude = models.FloatField()
    source = models.CharField(max_length=12, choices=PlaceSource)
    accuracy_m = models.FloatField(null=True, blank=True, help_text="Radius it lies within, nearly surely.")
    placed_at = models.DateTimeField()
    confirmed_at = models.DateTimeField(null=True, blank=True)

    objects = SitePlaceQuerySet.as_manager()

    class Meta:
        ordering = ["site"]
        constraints = [
            known_values("source", PlaceSource, "fleet_siteplace_source_known"),
            between("latitude", -90, 90, "fleet_siteplace_latitude_on_earth"),
            between("longitude", -180, 180, "fleet_siteplace_longitude_on_earth"),
            at_least("accuracy_m", 0, "fleet_siteplace_accuracy_not_negative"),
        ]

    def __str__(self):
        return f"{self.site_id} by {self.source}"


class GeocodedAddress(models.Model):
    """What a geocoder said of an address, so that it is asked once. Without a latitude: nothing was found."""

    digest = models.CharField(max_length=64, unique=True, help_text="SHA-256 of country and address.")
    asked_in_second = models.BigIntegerField(unique=True, help_text="Of Unix time: one request a second.")
    is_answered = models.BooleanField(default=False)
    latitude = models.FloatField(null=True, blank=True)
    longitude = models.FloatField(null=True, blank=True)
    accuracy_m = models.FloatField(null=True, blank=True)

    class Meta:
        verbose_name_plural = "geocoded addresses"
        constraints = [
            between("latitude", -90, 90, "fleet_geocodedaddress_latitude_on_earth"),
            between("longitude", -180, 180, "fleet_geocodedaddress_longitude_on_earth"),
            at_least("accuracy_m", 0, "fleet_geocodedaddress_accuracy_not_negative"),
        ]

    def __str__(self):
        return f"{self.digest[:8]} {self.latitude}, {self.longitude}"
