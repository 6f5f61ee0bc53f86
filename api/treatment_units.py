"""Treatment units: list, add, change, swap, move, retire."""

from django_filters.rest_framework import BooleanFilter, CharFilter, ChoiceFilter, FilterSet
from rest_framework import serializers
from rest_framework.exceptions import ValidationError

from api.fields import Body, DayField, DayFilter, Details, Row, key_field
from api.viewsets import RowViewSet, operation
from fleet.models import (
    MakeUp,
    Position,
    PositionWater,
    ReadinessState,
    Site,
    TreatmentUnit,
    UnitModel,
    UnitState,
)
from fleet.register import sites, units
from fleet.register.sites import UNIT_DETAILS
from scheduling.register import acts
from shared.roles import Permission


class UnitStateRow(Row):
    """What assessment knows of a treatment unit."""

    class Meta:
        model = UnitState
        fields = [
            "permeate_gal_per_day", "spread_gal_per_sqrt_day", "recovery", "recovery_is_measured",
            "is_design_duty", "readings_used", "last_read_at", "readiness", "owed_flush", "owed_part_id",
            "owed_since", "flush_gal", "flush_minutes", "flow_change", "passage_change", "drop_change",
            "raw_flow_change", "normalised_flow_gpm", "salt_passage", "crosses_limit_on", "pattern",
            "is_decaying", "next_due_on", "worst_wear", "assessed_at",
        ]  # fmt: skip


class PositionRow(Row):
    """A place for a part, along the water."""

    class Meta:
        model = Position
        fields = ["code", "water"]


class TreatmentUnitRow(Row):
    """A treatment unit with its state; no state before the first assessment."""

    positions = PositionRow(many=True, read_only=True)
    state = UnitStateRow(read_only=True, allow_null=True, default=None)

    class Meta:
        model = TreatmentUnit
        fields = [
            "id", "serial", "label", "site_id", "site_code", "commissioned_on", "design_recovery",
            "design_use_gal_per_day", "design_permeate_gpm", "idle_limit_days", "mains_voltage",
            *MakeUp.names(), "promised_conductivity_us_cm", "is_out_of_service", "out_of_service_reason",
            "retired_on", "retired_because", "positions", "state",
        ]  # fmt: skip


class TreatmentUnitDetails(Details):
    """What can be changed of a treatment unit."""

    idle_limit_days = serializers.FloatField(min_value=0.5, max_value=3650, required=False)
    note = serializers.CharField(max_length=4000, allow_blank=True, required=False)

    class Meta:
        model = TreatmentUnit
        fields = UNIT_DETAILS


class NewUnit(Body):
    """A treatment unit. Without a model it states its design figures; without a day it waits."""

    site_id = key_field()
    serial = serializers.CharField(max_length=60)
    model_code = serializers.CharField(max_length=40, required=False, allow_null=True, default=None)
    label = serializers.CharField(max_length=120, required=False, allow_blank=True, default="")
    commissioned_on = DayField(required=False, allow_null=True, default=None)
    design_use_gal_per_day = serializers.FloatField(min_value=0, max_value=1e7, allow_null=True, default=None)
    design_permeate_gpm = serializers.FloatField(
        min_value=0.001, max_value=1e4, allow_null=True, default=None
    )


class Swap(Body):
    """The machine that comes in this one's place."""

    serial = serializers.CharField(max_length=60)
    on = DayField()
    because = serializers.CharField(max_length=160, required=False, allow_blank=True, default="")
    with_parts = serializers.BooleanField(required=False, default=True)


class Move(Body):
    """Where the unit goes, and since when it stands there."""

    site_id = key_field()
    on = DayField()


class Retirement(Body):
    """Since when the unit serves no more, and why."""

    on = DayField()
    because = serializers.CharField(max_length=160)


class Commission(Body):
    """Since when the unit is in service."""

    on = DayField()


class NewPosition(Body):
    """A place for a part."""

    code = serializers.SlugField(max_length=40)
    water = serializers.ChoiceField(choices=PositionWater.choices)


class Positions(Body):
    """All positions of a unit in the order of the water."""

    positions = NewPosition(many=True, max_length=40)


class TreatmentUnitFilter(FilterSet):
    """Of treatment units."""

    serial = CharFilter()
    site_code = CharFilter(field_name="site__code")
    branch_code = CharFilter(field_name="site__branch__code")
    readiness = ChoiceFilter(field_name="state__readiness", choices=ReadinessState.choices)
    is_decaying = BooleanFilter(field_name="state__is_decaying")
    is_out_of_service = BooleanFilter()
    next_due_to = DayFilter(field_name="state__next_due_on", lookup_expr="lte")


class TreatmentUnitViewSet(RowViewSet):
    """List treatment units with their state."""

    shows = "treatment unit with its state"
    needs = (Permission.SEE_FLEET,)
    queryset = TreatmentUnit.objects.select_related("site", "state").prefetch_related("positions")
    serializer_class = TreatmentUnitRow
    filterset_class = TreatmentUnitFilter
    orderings = ("id", "serial")

    @operation("add_unit", Permission.EDIT_FLEET, NewUnit, TreatmentUnitRow, edits=False, status=201)
    def create(self, values: dict) -> int:
        """Add a treatment unit to a site, with the positions and usual parts of its model."""
        site = self.one_of(Site.objects.all(), "site_id", "site", pk=values.pop("site_id"))
        code = values.pop("model_code")
        model = UnitModel.objects.filter(code=code).first() if code else None
        if code and model is None:
            raise ValidationError({"model_code": "There is no such model in the catalogue."})
        return units.add_unit(site=site, unit_model=model, actor=self.actor, **values).pk

    @operation("swap_treatment_unit", Permission.EDIT_FLEET, Swap, TreatmentUnitRow, at="swap", status=201)
    def swap(self, unit: TreatmentUnit, values: dict) -> int:
        """Put another machine in a unit's place. The answer is the new one."""
        return acts.swap_unit(unit, actor=self.actor, **values).pk

    @operation("move_treatment_unit", Permission.EDIT_FLEET, Move, TreatmentUnitRow, at="move")
    def move(self, unit: TreatmentUnit, values: dict) -> int:
        """Move a unit to another site; its history goes with it."""
        to = self.one_of(Site.objects.all(), "site_id", "site", pk=values["site_id"])
        seen = unit.site_id
        return acts.move_unit(unit, to=to, on=values["on"], actor=self.actor, seen_site=seen).pk

    @operation("retire_treatment_unit", Permission.EDIT_FLEET, Retirement, TreatmentUnitRow, at="retirement")
    def retirement(self, unit: TreatmentUnit, values: dict) -> int:
        """Retire a unit: its open work is withdrawn, its plans end, its history stays."""
        return acts.retire_unit(unit, actor=self.actor, **values).pk

    @operation("commission_unit", Permission.EDIT_FLEET, Commission, TreatmentUnitRow, at="commissioning")
    def commissioning(self, unit: TreatmentUnit, values: dict) -> int:
        """Put a unit into service, with the usual parts of its model in empty positions."""
        return units.commission_unit(unit, on=values["on"], actor=self.actor).pk

    @operation("set_positions", Permission.EDIT_FLEET, Positions, TreatmentUnitRow, at="positions")
    def positions(self, unit: TreatmentUnit, values: dict) -> int:
        """Make these the positions of a unit. One that ever held a part stays."""
        units.change_positions(unit, values["positions"], actor=self.actor)
        return unit.pk

    @operation("change_treatment_unit", Permission.EDIT_FLEET, TreatmentUnitDetails, TreatmentUnitRow)
    def partial_update(self, unit: TreatmentUnit, values: dict) -> int:
        """Change what is known of a treatment unit, or take it out of service for a reason."""
        return sites.change_treatment_unit(unit, actor=self.actor, **values).pk
