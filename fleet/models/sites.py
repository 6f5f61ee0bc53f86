"""Customers, sites, water supplies and feed tests."""

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy

from fleet.models.people import Branch
from shared.model_parts import at_least, between, known_values


class Customer(models.Model):
    """Who pays."""

    code = models.CharField(max_length=40, unique=True)
    name = models.CharField(max_length=160)
    email = models.EmailField(blank=True)
    phone = models.CharField(max_length=40, blank=True)
    wants_notices = models.BooleanField(default=True)

    class Meta:
        ordering = ["name", "id"]

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

    class Meta:
        ordering = ["name", "id"]
        constraints = [
            models.UniqueConstraint(fields=["customer", "name"], name="fleet_site_name_once_per_customer"),
            between("latitude", -90, 90, "fleet_site_latitude_on_earth"),
            between("longitude", -180, 180, "fleet_site_longitude_on_earth"),
        ]

    def __str__(self):
        return self.name


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
