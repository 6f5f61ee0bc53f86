"""What parts can be bought, with their ratings."""

from decimal import Decimal

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy

from shared.model_parts import at_least, known_values


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
