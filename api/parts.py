"""Parts in treatment units, and their meters."""

from django_filters.rest_framework import BooleanFilter, CharFilter, ChoiceFilter, FilterSet
from rest_framework import serializers
from rest_framework.exceptions import ValidationError

from api.fields import Body, DayField, MomentFilter, PastMomentField, Row, key_field
from api.viewsets import ListViewSet, RowViewSet, operation
from fleet.models import (
    Meter,
    MeterWater,
    Part,
    PartKind,
    PartRole,
    Position,
    RemovalEvidence,
    RemovalReason,
    TreatmentUnit,
)
from fleet.register import units
from shared.roles import Permission

UNIT = ["treatment_unit_id", "treatment_unit_serial"]


class OfUnitFilter(FilterSet):
    """Of whatever belongs to a treatment unit."""

    treatment_unit_serial = CharFilter(field_name="treatment_unit__serial")
    site_code = CharFilter(field_name="treatment_unit__site__code")


class RemovalEvidenceRow(Row):
    """What was measured of a part before it came out."""

    class Meta:
        model = RemovalEvidence
        fields = ["measured_at", "total_chlorine_behind_mg_l", "delta_p_psi", "permeate_conductivity_us_cm"]


class PartRow(Row):
    """A physical part with its time in place."""

    position = serializers.CharField(source="position.code", read_only=True)
    role = serializers.CharField(source="kind.role", read_only=True)
    factory_rejection = serializers.FloatField(
        source="membrane.factory_rejection", read_only=True, allow_null=True, default=None
    )
    removal_evidence = RemovalEvidenceRow(read_only=True, allow_null=True, default=None)

    class Meta:
        model = Part
        fields = [
            "id", *UNIT, "position", "kind_code", "kind_name", "role", "serial", "lot", "made_on",
            "installed_at", "removed_at", "removal_reason", "clean_drop_psi", "clean_drop_flow_gpm",
            "factory_rejection", "removal_evidence",
        ]  # fmt: skip


class PutIn(Body):
    """What is known of a part that is put in."""

    kind_code = serializers.CharField(max_length=80)
    serial = serializers.CharField(max_length=60, required=False, allow_blank=True, default="")
    lot = serializers.CharField(max_length=60, required=False, allow_blank=True, default="")
    made_on = DayField(required=False, allow_null=True, default=None)

    def validate(self, attrs: dict) -> dict:
        """Find the kind in the catalogue, as ``part``."""
        kind = PartKind.objects.filter(code=attrs["kind_code"]).first()
        if kind is None:
            raise ValidationError({"kind_code": "There is no such kind of part in the catalogue."})
        return attrs | {"part": {"kind": kind} | {name: attrs[name] for name in ("serial", "lot", "made_on")}}


class NewPart(PutIn):
    """A part put into an empty position."""

    treatment_unit_id = key_field()
    position = serializers.CharField(max_length=40, help_text="Code of the position.")
    installed_at = PastMomentField()


class PartRemoval(Body):
    """A part taken out."""

    removed_at = PastMomentField()
    removal_reason = serializers.ChoiceField(choices=RemovalReason.choices)


class PartReplacement(PutIn):
    """A part taken out and another put in at the same moment."""

    changed_at = PastMomentField()
    removal_reason = serializers.ChoiceField(choices=RemovalReason.choices)


class PartFilter(OfUnitFilter):
    """Of parts."""

    kind_code = CharFilter(field_name="kind__code")
    role = ChoiceFilter(field_name="kind__role", choices=PartRole.choices)
    lot = CharFilter()
    is_in_place = BooleanFilter(field_name="removed_at", lookup_expr="isnull")
    installed_from = MomentFilter(field_name="installed_at", lookup_expr="gte")
    installed_to = MomentFilter(field_name="installed_at", lookup_expr="lt")


class PartViewSet(RowViewSet):
    """List parts, in place and taken out."""

    shows = "part"
    needs = (Permission.SEE_FLEET,)
    queryset = Part.objects.select_related(
        "treatment_unit", "position", "kind", "membrane", "removal_evidence"
    )
    serializer_class = PartRow
    filterset_class = PartFilter
    orderings = ("id", "installed_at")

    @operation("install_part", Permission.EDIT_FLEET, NewPart, PartRow, edits=False, status=201)
    def create(self, values: dict) -> int:
        """Put a part into an empty position."""
        unit = self.one_of(
            TreatmentUnit.objects.all(), "treatment_unit_id", "treatment unit", pk=values["treatment_unit_id"]
        )
        position = Position.objects.filter(treatment_unit=unit, code=values["position"]).first()
        if position is None:
            raise ValidationError({"position": f"{unit} has no such position."})
        at = values["installed_at"]
        return units.put_part_in(position, at=at, actor=self.actor, **values["part"]).pk

    @operation("remove_part", Permission.EDIT_FLEET, PartRemoval, PartRow, at="removal")
    def removal(self, part: Part, values: dict) -> int:
        """Take a part out."""
        at, reason = values["removed_at"], values["removal_reason"]
        return units.take_part_out(part, at=at, reason=reason, actor=self.actor).pk

    @operation("replace_part", Permission.EDIT_FLEET, PartReplacement, PartRow, at="replacement", status=201)
    def replacement(self, old: Part, values: dict) -> int:
        """Take a part out and put another in at the same moment. The answer is the new one."""
        at, reason = values["changed_at"], values["removal_reason"]
        return units.replace_part(old, at=at, reason=reason, actor=self.actor, **values["part"]).pk


class MeterRow(Row):
    """A water meter and its time in place."""

    class Meta:
        model = Meter
        fields = ["id", *UNIT, "water", "serial", "measure", "digits", "installed_at", "removed_at"]


class MeterFilter(OfUnitFilter):
    """Of meters."""

    serial = CharFilter()
    water = ChoiceFilter(choices=MeterWater.choices)
    is_in_place = BooleanFilter(field_name="removed_at", lookup_expr="isnull")


class MeterViewSet(ListViewSet):
    """List meters."""

    needs = (Permission.SEE_FLEET,)
    queryset = Meter.objects.select_related("treatment_unit")
    serializer_class = MeterRow
    filterset_class = MeterFilter
