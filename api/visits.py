"""Close-outs: what was found and done at an order."""

from django_filters.rest_framework import BooleanFilter, CharFilter, ChoiceFilter, FilterSet
from drf_spectacular.utils import extend_schema_field
from rest_framework import serializers

from api.fields import MomentFilter, Row
from api.readings import PerformanceReadingRow
from api.viewsets import RowViewSet
from fleet.models import PerformanceReading
from scheduling.models import CloseOut, CloseOutPart, NotDoneBecause, Outcome
from shared.roles import Permission


class PartChangeRow(Row):
    """A part taken out, put in, or both. What was measured before it came out is told with the part."""

    removed_part_id = serializers.IntegerField(source="removed_id", read_only=True, allow_null=True)
    installed_part_id = serializers.IntegerField(source="installed_id", read_only=True, allow_null=True)

    class Meta:
        model = CloseOutPart
        fields = ["removed_part_id", "installed_part_id"]


class CloseOutRow(Row):
    """What was found and done at one order."""

    work_order_id = serializers.IntegerField(source="order_id", read_only=True)
    treatment_unit_serial = serializers.CharField(source="order.treatment_unit.serial", read_only=True)

    # Its column has a default of the database, which the serializer would take for never blank.
    not_done_because = serializers.ChoiceField(NotDoneBecause.choices, allow_blank=True, read_only=True)
    as_found = serializers.SerializerMethodField()
    as_left = serializers.SerializerMethodField()
    parts = PartChangeRow(many=True, read_only=True)

    @extend_schema_field(PerformanceReadingRow(allow_null=True))
    def get_as_found(self, row: CloseOut) -> dict | None:
        """Return the gauges before anything was touched."""
        return self._gauges(row.as_found_reading_id)

    @extend_schema_field(PerformanceReadingRow(allow_null=True))
    def get_as_left(self, row: CloseOut) -> dict | None:
        """Return the gauges when all was done."""
        return self._gauges(row.performance_reading_id)

    def _gauges(self, pk: int | None) -> dict | None:
        """Read those of a whole page of rows at once."""
        if "gauges" not in self.context:
            rows = self.parent.instance if self.parent else [self.instance]
            wanted = {one for row in rows for one in (row.as_found_reading_id, row.performance_reading_id)}
            found = PerformanceReading.objects.filter(pk__in=wanted - {None}).select_related("treatment_unit")
            self.context["gauges"] = {one.pk: PerformanceReadingRow(one).data for one in found}
        return self.context["gauges"].get(pk)

    class Meta:
        model = CloseOut
        fields = [
            "id", "client_id", "work_order_id", "treatment_unit_serial", "technician_code", "outcome",
            "not_done_because", "finished_at", "received_at", "minutes", "drive_minutes", "note", "signed_by",
            "as_found", "as_left", "parts", "follow_up_id", "undone_at", "undone_because",
        ]  # fmt: skip


class CloseOutFilter(FilterSet):
    """Of close-outs."""

    outcome = ChoiceFilter(choices=Outcome.choices)
    treatment_unit_serial = CharFilter(field_name="order__treatment_unit__serial")
    technician_code = CharFilter(field_name="technician__code")
    is_standing = BooleanFilter(field_name="undone_at", lookup_expr="isnull")
    finished_from = MomentFilter(field_name="finished_at", lookup_expr="gte")
    finished_to = MomentFilter(field_name="finished_at", lookup_expr="lt")
    received_from = MomentFilter(field_name="received_at", lookup_expr="gte")


class CloseOutViewSet(RowViewSet):
    """List close-outs, undone ones included."""

    shows = "close-out"
    needs = (Permission.SEE_WORK, Permission.SEE_OWN_DAY)
    queryset = CloseOut.objects.select_related("order__treatment_unit", "technician").prefetch_related(
        "parts"
    )
    serializer_class = CloseOutRow
    filterset_class = CloseOutFilter
    orderings = ("id", "finished_at", "received_at")
