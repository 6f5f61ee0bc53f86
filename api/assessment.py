"""How worn parts are, and what assessment found."""

from django_filters.rest_framework import BooleanFilter, CharFilter, ChoiceFilter
from rest_framework import serializers

from api.fields import DayFilter, MomentFilter, Row
from api.parts import UNIT, OfUnitFilter
from api.viewsets import ListViewSet, RowViewSet
from fleet.models import Finding, FindingKind, PartState
from shared.roles import Permission


class PartStateRow(Row):
    """How worn a part in place is and when it is due."""

    position = serializers.CharField(source="part.position.code", read_only=True)
    kind_code = serializers.CharField(source="part.kind.code", read_only=True)

    class Meta:
        model = PartState
        fields = [
            "part_id", *UNIT, "position", "kind_code", "wear", "governing", "early_on", "likely_on",
            "late_on", "assessed_at",
        ]  # fmt: skip


class PartStateFilter(OfUnitFilter):
    """Of the state of parts."""

    kind_code = CharFilter(field_name="part__kind__code")
    likely_from = DayFilter(field_name="likely_on", lookup_expr="gte")
    likely_to = DayFilter(field_name="likely_on", lookup_expr="lte")


class PartStateViewSet(ListViewSet):
    """List how worn the parts in place are and when they are due."""

    needs = (Permission.SEE_FLEET,)
    queryset = PartState.objects.select_related("treatment_unit", "part__position", "part__kind")
    serializer_class = PartStateRow
    filterset_class = PartStateFilter
    orderings = ("part_id",)


class FindingRow(Row):
    """Something that wants action, with every number it rests on."""

    class Meta:
        model = Finding
        fields = [
            "id", "kind", "cause_key", *UNIT, "part_id", "method", "method_version", "strength",
            "not_before_on", "early_on", "likely_on", "late_on", "why", "numbers", "found_at", "changed_at",
            "gone_at", "gone_because",
        ]  # fmt: skip


class FindingFilter(OfUnitFilter):
    """Of findings."""

    kind = ChoiceFilter(choices=FindingKind.choices)
    is_standing = BooleanFilter(field_name="gone_at", lookup_expr="isnull")
    likely_to = DayFilter(field_name="likely_on", lookup_expr="lte")
    changed_from = MomentFilter(field_name="changed_at", lookup_expr="gte")


class FindingViewSet(RowViewSet):
    """List findings, standing and gone."""

    shows = "finding with the numbers it rests on"
    needs = (Permission.SEE_FLEET,)
    queryset = Finding.objects.select_related("treatment_unit")
    serializer_class = FindingRow
    filterset_class = FindingFilter
    orderings = ("id", "found_at", "changed_at")
