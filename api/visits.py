"""Close-outs: what was found and done at an order."""

from django_filters.rest_framework import BooleanFilter, CharFilter, ChoiceFilter, FilterSet
from rest_framework import serializers

from api.fields import MomentFilter, Row
from api.viewsets import RowViewSet
from scheduling.models import CloseOut, Outcome
from shared.roles import Permission


class CloseOutRow(Row):
    """What was found and done at one order."""

    work_order_id = serializers.IntegerField(source="order_id", read_only=True)
    treatment_unit_serial = serializers.CharField(source="order.treatment_unit.serial", read_only=True)

    class Meta:
        model = CloseOut
        fields = ["id", "client_id", "work_order_id", "treatment_unit_serial", "technician_code", "outcome",
                  "finished_at", "received_at", "minutes", "drive_minutes", "note", "signed_by",
                  "follow_up_id", "undone_at", "undone_because"]  # fmt: skip


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
    queryset = CloseOut.objects.select_related("order__treatment_unit", "technician")
    serializer_class = CloseOutRow
    filterset_class = CloseOutFilter
    orderings = ("id", "finished_at", "received_at")
