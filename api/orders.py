"""Work orders: reading, raising, promising and withdrawing them."""

from django.utils import timezone
from django_filters.rest_framework import CharFilter, ChoiceFilter, FilterSet
from rest_framework import serializers

from api.fields import Body, DayField, DayFilter, MomentFilter, Row, WrittenUuid, key_field
from api.viewsets import RowViewSet, operation
from fleet.models import TreatmentUnit
from scheduling.models import OrderKind, OrderState, WorkOrder, WorkOrderPart
from scheduling.orders import work_orders
from scheduling.orders.selectors import number_of
from scheduling.routes import promises
from shared.errors import DomainError
from shared.messages import message
from shared.roles import Permission


class NeededPartRow(Row):
    """A part an order will need."""

    class Meta:
        model = WorkOrderPart
        fields = ["kind_code", "quantity"]


class WorkOrderRow(Row):
    """One thing to do, once."""

    number = serializers.SerializerMethodField()
    needed_parts = NeededPartRow(many=True, read_only=True)

    class Meta:
        model = WorkOrder
        fields = [
            "id", "number", "kind", "state", "cause_key", "treatment_unit_id", "treatment_unit_serial",
            "site_id", "site_code", "part_id", "finding_id", "follows_id", "why", "strength", "window_from",
            "best_by_on", "window_to", "likely_on", "promised_on", "promised_from", "promised_until",
            "minutes", "flush_minutes", "needed_parts", "raised_at", "changed_at", "ended_at",
            "withdrawn_because",
        ]  # fmt: skip

    def get_number(self, order: WorkOrder) -> str:
        """Return the number as people say it."""
        return number_of(order.pk)


class NewWorkOrder(Body):
    """Work that no finding asks for. The same ``client_id`` again returns the order it made."""

    client_id = WrittenUuid()
    treatment_unit_id = key_field()
    why = serializers.CharField(max_length=1000)
    window_from = DayField()
    window_to = DayField()
    minutes = serializers.IntegerField(min_value=1, max_value=1440, required=False, allow_null=True)
    promised_on = DayField(required=False, allow_null=True)


class PromiseOfOrder(Body):
    """The day promised to the customer, with hours of the site's clock; null takes the promise back."""

    promised_on = DayField(allow_null=True)
    promised_from = serializers.TimeField(required=False, allow_null=True)
    promised_until = serializers.TimeField(required=False, allow_null=True)

    def validate(self, attrs: dict) -> dict:
        """Hours come in twos, and with their day."""
        hours = [attrs.pop(name, None) for name in ("promised_from", "promised_until")]
        if any(hours) and not (all(hours) and attrs["promised_on"]):
            raise serializers.ValidationError({"promised_from": "Send both hours and their day, or none."})
        return attrs | {"hours": tuple(hours) if all(hours) else None}


class Withdrawal(Body):
    """Why an order is withdrawn."""

    reason = serializers.CharField(max_length=160)


class WorkOrderFilter(FilterSet):
    """Of work orders."""

    kind = ChoiceFilter(choices=OrderKind.choices)
    state = ChoiceFilter(choices=OrderState.choices)
    treatment_unit_serial = CharFilter(field_name="treatment_unit__serial")
    site_code = CharFilter(field_name="site__code")
    window_from = DayFilter(field_name="window_to", lookup_expr="gte")
    window_to = DayFilter(field_name="window_from", lookup_expr="lte")
    changed_from = MomentFilter(field_name="changed_at", lookup_expr="gte")


class WorkOrderViewSet(RowViewSet):
    """List work orders. A technician sees those of the own routes."""

    shows = "work order; its ETag is what an edit must name"
    needs = (Permission.SEE_WORK, Permission.SEE_OWN_DAY)
    queryset = WorkOrder.objects.select_related("treatment_unit", "site").prefetch_related(
        "needed_parts__kind"
    )
    serializer_class = WorkOrderRow
    filterset_class = WorkOrderFilter
    orderings = ("id", "window_to", "raised_at", "changed_at")

    @operation(
        "raise_work_order", Permission.MANAGE_WORK, NewWorkOrder, WorkOrderRow, edits=False, status=201
    )
    def create(self, values: dict) -> int:
        """Raise work that no finding asks for. Safe to repeat with the same ``client_id``."""
        units = TreatmentUnit.objects.select_related("site")
        unit = self.one_of(units, "treatment_unit_id", "treatment unit", pk=values.pop("treatment_unit_id"))
        order = work_orders.raise_one_off(
            treatment_unit=unit, by=self.request.user, now=timezone.now(), **values
        )
        if order.treatment_unit_id != unit.pk or not _says(order, values):
            raise DomainError(
                message("This client_id made another order."),
                remedy=message("Make a new one."),
                field="client_id",
            )
        return order.pk

    @operation("promise_work_order", Permission.MANAGE_WORK, PromiseOfOrder, WorkOrderRow)
    def partial_update(self, order: WorkOrder, values: dict) -> int:
        """Promise the customer a day or hours of it, or take the promise back."""
        promises.promise(
            order, values["promised_on"], hours=values["hours"], by=self.request.user, now=timezone.now()
        )
        return order.pk

    @operation("withdraw_work_order", Permission.MANAGE_WORK, Withdrawal, WorkOrderRow, at="withdraw")
    def withdraw(self, order: WorkOrder, values: dict) -> int:
        """Withdraw a standing order for a reason."""
        work_orders.withdraw(order, by=self.request.user, reason=values["reason"], now=timezone.now())
        return order.pk


def _says(order: WorkOrder, values: dict) -> bool:
    """Say whether an order is what a body asks for. What others may change since is compared until then."""
    is_same = order.why == values["why"].strip()
    if order.changed_at != order.raised_at:
        return is_same
    # A window that began before the day of raising was cut to begin on it.
    began = order.window_from == values["window_from"] or order.window_from > values["window_from"]
    promised = order.promised_on == values.get("promised_on")
    minutes = values.get("minutes") in (None, order.minutes)
    return is_same and began and order.window_to == values["window_to"] and promised and minutes
