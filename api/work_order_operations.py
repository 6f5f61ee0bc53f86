"""Reading, raising, promising and withdrawing work orders. Edits name by If-Match what they change."""

from django.db import transaction
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from api import filters, scheduling_rows
from api.edits import IF_MATCH, EditRow, given, one_of, shown
from api.operations import ListRows, Operation, ShowRow
from fleet.models import TreatmentUnit
from scheduling.models import WorkOrder
from scheduling.orders import work_orders
from scheduling.routes import moves
from shared.roles import Permission

SEES_WORK = (Permission.SEE_WORK, Permission.SEE_OWN_DAY)


class ListWorkOrders(ListRows):
    """List work orders. A technician sees those of the own routes."""

    needs = SEES_WORK
    queryset = WorkOrder.objects.select_related("treatment_unit", "site").prefetch_related(
        "needed_parts__kind"
    )
    serializer_class = scheduling_rows.WorkOrderRow
    filterset_class = filters.WorkOrderFilter
    orderings = ("id", "window_to", "raised_at", "changed_at")


class ShowWorkOrder(ShowRow, of=ListWorkOrders):
    """Show one work order; its ETag is what an edit must name."""


class RaiseWorkOrder(Operation):
    """Raise work that no finding asks for. Safe to repeat with the same ``client_id``."""

    needs = (Permission.MANAGE_WORK,)
    queryset = ListWorkOrders.queryset
    serializer_class = scheduling_rows.NewWorkOrder

    @extend_schema(responses={201: scheduling_rows.WorkOrderRow})
    def post(self, request: Request) -> Response:
        """Raise the order."""
        values = given(self, request)
        units = TreatmentUnit.objects.select_related("site")
        unit = one_of(
            request, units, "treatment_unit_id", "treatment unit", pk=values.pop("treatment_unit_id")
        )
        order = work_orders.raise_one_off(treatment_unit=unit, by=request.user, now=timezone.now(), **values)
        if order.treatment_unit_id != unit.pk:
            raise ValidationError({"client_id": "This was used before for another order. Make a new one."})
        return shown(ListWorkOrders, order.pk, 201)


class PromiseWorkOrder(EditRow):
    """Promise the customer a day, or take the promise back."""

    needs = (Permission.MANAGE_WORK,)
    shown_by = ListWorkOrders
    serializer_class = scheduling_rows.PromiseOfOrder

    @extend_schema(
        request=scheduling_rows.PromiseOfOrder, responses=scheduling_rows.WorkOrderRow, parameters=[IF_MATCH]
    )
    @transaction.atomic
    def patch(self, request: Request, pk: int) -> Response:
        """Change the promised day."""
        order = self.row_to_edit(request, pk)
        day = given(self, request)["promised_on"]
        moves.promise(order, day, by=request.user, now=timezone.now())
        return self.shown(pk)


class WithdrawWorkOrder(EditRow):
    """Withdraw a standing order for a reason."""

    needs = (Permission.MANAGE_WORK,)
    shown_by = ListWorkOrders
    serializer_class = scheduling_rows.Withdrawal

    @extend_schema(responses=scheduling_rows.WorkOrderRow, parameters=[IF_MATCH])
    @transaction.atomic
    def post(self, request: Request, pk: int) -> Response:
        """Withdraw it."""
        order = self.row_to_edit(request, pk)
        reason = given(self, request)["reason"]
        work_orders.withdraw(order, by=request.user, reason=reason, now=timezone.now())
        return self.shown(pk)
