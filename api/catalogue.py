"""What the whole company shares: water supplies, part kinds, models of treatment units; no money."""

from collections.abc import Mapping, Sequence
from typing import Any

from django.db.models import QuerySet
from django_filters.rest_framework import CharFilter, ChoiceFilter, FilterSet
from rest_framework import serializers
from rest_framework.exceptions import ValidationError
from rest_framework.viewsets import GenericViewSet

from api.fields import Body, Details, Row
from api.viewsets import RowViewSet, operation
from fleet.models import (
    PartKind,
    PartRole,
    PositionWater,
    SupplyKind,
    UnitModel,
    UnitModelPosition,
    WaterSupply,
)
from fleet.register import catalogue, sites
from fleet.register.catalogue import KIND_DETAILS, MODEL_DETAILS
from fleet.register.sites import SUPPLY_DETAILS
from shared.roles import Permission

KIND_FIELDS = tuple(name for name in KIND_DETAILS if name not in ("cost", "price"))


class OfCompanyViewSet(RowViewSet):
    """Rows that belong to no branch: who may see one sees all."""

    needs = (Permission.SEE_FLEET,)
    orderings = ("id", "code", "name")

    def get_queryset(self) -> QuerySet:
        """Return every row."""
        return GenericViewSet.get_queryset(self)


class CodeFilter(FilterSet):
    """Of rows with a code."""

    code = CharFilter()


class SupplyRow(Row):
    """A water supply."""

    class Meta:
        model = WaterSupply
        fields = ["id", "code", *SUPPLY_DETAILS]


class SupplyDetails(Details):
    """What can be changed of a water supply."""

    class Meta:
        model = WaterSupply
        fields = SUPPLY_DETAILS


class NewSupply(Body):
    """A water supply. Without a code it gets the next one."""

    name = serializers.CharField(max_length=160)
    code = serializers.CharField(max_length=40, required=False, allow_blank=True, default="")
    kind = serializers.ChoiceField(choices=SupplyKind.choices, default=SupplyKind.UTILITY)


class SupplyViewSet(OfCompanyViewSet):
    """List water supplies."""

    shows = "water supply"
    queryset = WaterSupply.objects.all()
    serializer_class = SupplyRow
    filterset_class = CodeFilter

    @operation("add_supply", Permission.EDIT_FLEET, NewSupply, SupplyRow, edits=False, status=201)
    def create(self, values: dict) -> int:
        """Add a water supply."""
        return sites.add_supply(actor=self.actor, **values).pk

    @operation("change_supply", Permission.EDIT_FLEET, SupplyDetails, SupplyRow)
    def partial_update(self, supply: WaterSupply, values: dict) -> int:
        """Change what is known of a water supply."""
        return sites.change_supply(supply, actor=self.actor, **values).pk


class PartKindRow(Row):
    """A line of the catalogue. An empty rating: the limit does not apply."""

    class Meta:
        model = PartKind
        fields = ["id", "code", *KIND_FIELDS]


class PartKindDetails(Details):
    """What can be changed of a part kind."""

    class Meta:
        model = PartKind
        fields = KIND_FIELDS


class NewPartKind(PartKindDetails):
    """A part kind: code, name, what it does, and what else is known."""

    class Meta(PartKindDetails.Meta):
        fields = ("code", *KIND_FIELDS)
        extra_kwargs = {"code": {"validators": []}}

    def validate(self, attrs: dict) -> dict:
        """Refuse one without its code, name or role."""
        if missing := [name for name in ("code", "name", "role") if name not in attrs]:
            raise ValidationError(dict.fromkeys(missing, self.error_messages["required"]))
        return super().validate(attrs)


class PartKindFilter(CodeFilter):
    """Of part kinds."""

    role = ChoiceFilter(choices=PartRole.choices)


class PartKindViewSet(OfCompanyViewSet):
    """List the kinds of parts in the catalogue."""

    shows = "part kind"
    queryset = PartKind.objects.all()
    serializer_class = PartKindRow
    filterset_class = PartKindFilter

    @operation("add_part_kind", Permission.EDIT_FLEET, NewPartKind, PartKindRow, edits=False, status=201)
    def create(self, values: dict) -> int:
        """Add a kind of part to the catalogue."""
        return catalogue.add_part_kind(actor=self.actor, **values).pk

    @operation("change_part_kind", Permission.EDIT_FLEET, PartKindDetails, PartKindRow)
    def partial_update(self, kind: PartKind, values: dict) -> int:
        """Change what is known of a kind of part."""
        return catalogue.change_part_kind(kind, actor=self.actor, **values).pk


class ModelPositionRow(Row):
    """A position of a model, with the part that usually goes there."""

    class Meta:
        model = UnitModelPosition
        fields = ["code", "water", "usual_kind_code"]


class UnitModelRow(Row):
    """A model of treatment unit, its positions in the order of the water."""

    positions = ModelPositionRow(many=True, read_only=True)

    class Meta:
        model = UnitModel
        fields = ["id", "code", *MODEL_DETAILS, "positions"]


class UnitModelDetails(Details):
    """What can be changed of a model."""

    class Meta:
        model = UnitModel
        fields = MODEL_DETAILS


class NewModelPosition(Body):
    """A position and the kind of part that usually goes there."""

    code = serializers.SlugField(max_length=40)
    water = serializers.ChoiceField(choices=PositionWater.choices)
    usual_kind_code = serializers.CharField(max_length=40, required=False, allow_null=True, default=None)


class ModelPositions(Body):
    """All positions of a model in the order of the water."""

    positions = NewModelPosition(many=True, max_length=40)


class NewUnitModel(ModelPositions):
    """A model of treatment unit."""

    code = serializers.CharField(max_length=40)
    name = serializers.CharField(max_length=160)
    design_use_gal_per_day = serializers.FloatField(min_value=0, max_value=1e7)
    design_permeate_gpm = serializers.FloatField(min_value=0.001, max_value=1e4)
    design_recovery = serializers.FloatField(min_value=0.01, max_value=0.99, default=0.5)
    idle_limit_days = serializers.FloatField(min_value=0.5, max_value=3650, default=14)
    mains_voltage = serializers.IntegerField(min_value=0, max_value=1000, default=120)


class UnitModelViewSet(OfCompanyViewSet):
    """List the models of treatment units in the catalogue."""

    shows = "model of treatment unit"
    queryset = UnitModel.objects.prefetch_related("positions__usual_kind")
    serializer_class = UnitModelRow
    filterset_class = CodeFilter

    @operation("add_unit_model", Permission.EDIT_FLEET, NewUnitModel, UnitModelRow, edits=False, status=201)
    def create(self, values: dict) -> int:
        """Add a model with its positions."""
        positions = with_kinds(values.pop("positions"))
        return catalogue.add_unit_model(positions=positions, actor=self.actor, **values).pk

    @operation("change_unit_model", Permission.EDIT_FLEET, UnitModelDetails, UnitModelRow)
    def partial_update(self, model: UnitModel, values: dict) -> int:
        """Change what is known of a model. Units made from it stay as they are."""
        return catalogue.change_unit_model(model, actor=self.actor, **values).pk

    @operation("set_model_positions", Permission.EDIT_FLEET, ModelPositions, UnitModelRow, at="positions")
    def positions(self, model: UnitModel, values: dict) -> int:
        """Make these the positions of a model."""
        positions = with_kinds(values["positions"])
        return catalogue.change_unit_model(model, positions=positions, actor=self.actor).pk


def with_kinds(positions: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return positions with kinds in place of their codes. Raises ValidationError for an unknown one."""
    codes = {one["usual_kind_code"] for one in positions} - {None}
    kinds = {kind.code: kind for kind in PartKind.objects.filter(code__in=codes)}
    if unknown := sorted(codes - kinds.keys()):
        raise ValidationError({"positions": f"The catalogue has no part kind {', '.join(unknown)}."})
    return [
        {"code": one["code"], "water": one["water"], "usual_kind": kinds.get(one["usual_kind_code"])}
        for one in positions
    ]
