"""Reading, raising, promising and withdrawing work orders. Edits name by If-Match what they change."""

from django.db import transaction
from django.http import Http404
from django.utils import timezone
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework.exceptions import ValidationError
from rest_framework.request import Request
from rest_framework.response import Response

from api import filters, scheduling_rows
from api.operations import ListRows, Operation, ShowRow, etag_of, require_match
from api.scope import visible
from fleet.models import TreatmentUnit
from scheduling.models import WorkOrder
from scheduling.services import promises, work_orders
from shared.roles import Permission

SEES_WORK = (Permission.SEE_WORK, Permission.SEE_OWN_DAY)
IF_MATCH = OpenApiParameter(
    "If-Match", OpenApiTypes.STR, OpenApiParameter.HEADER, required=True,
    description="The ETag the order was shown with.",
)  # fmt: skip


class ListWorkOrders(ListRows):
    """List work orders. A technician sees those of the own routes."""

    needs = SEES_WORK
    queryset = WorkOrder.objects.select_related("treatment_unit", "site").prefetch_related(
        "needed_parts__kind"
    )
    serializer_class = scheduling_rows.WorkOrderRow
    filterset_class = filters.WorkOrderFilter
    orderings = ("id", "window_to", "raised_at", "changed_at")


class ShowWorkOrder(ShowRow):
    """Show one work order; its ETag is what an edit must name."""

    needs = SEES_WORK
    queryset = ListWorkOrders.queryset
    serializer_class = scheduling_rows.WorkOrderRow


class RaiseWorkOrder(Operation):
    """Raise work that no finding asks for. Safe to repeat with the same ``client_id``."""

    needs = (Permission.MANAGE_WORK,)
    queryset = ListWorkOrders.queryset
    serializer_class = scheduling_rows.NewWorkOrder

    @extend_schema(responses={201: scheduling_rows.WorkOrderRow})
    def post(self, request: Request) -> Response:
        """Raise the order."""
        form = self.get_serializer(data=request.data)
        form.is_valid(raise_exception=True)
        given = form.validated_data
        units = visible(request, TreatmentUnit.objects.select_related("site"))
        unit = units.filter(pk=given.pop("treatment_unit_id")).first()
        if unit is None:
            raise ValidationError({"treatment_unit_id": "There is no such treatment unit in your branch."})
        order = work_orders.raise_one_off(treatment_unit=unit, by=request.user, now=timezone.now(), **given)
        if order.treatment_unit_id != unit.pk:
            raise ValidationError({"client_id": "This was used before for another order. Make a new one."})
        return shown(order, status=201)


class _EditsOrder(Operation):
    """Locks the order and lets the edit go on only from the version it names."""

    needs = (Permission.MANAGE_WORK,)
    queryset = ListWorkOrders.queryset

    def order_to_edit(self, request: Request, pk: int) -> WorkOrder:
        """Return the locked order. Raises Http404 or Refusal."""
        order = self.get_queryset().select_for_update(of=("self",)).filter(pk=pk).first()
        if order is None:
            raise Http404
        require_match(request, scheduling_rows.WorkOrderRow(order).data)
        return order


class PromiseWorkOrder(_EditsOrder):
    """Promise the customer a day, or take the promise back."""

    serializer_class = scheduling_rows.PromiseOfOrder

    @extend_schema(
        request=scheduling_rows.PromiseOfOrder, responses=scheduling_rows.WorkOrderRow, parameters=[IF_MATCH]
    )
    @transaction.atomic
    def patch(self, request: Request, pk: int) -> Response:
        """Change the promised day."""
        order = self.order_to_edit(request, pk)
        form = self.get_serializer(data=request.data)
        form.is_valid(raise_exception=True)
        day = form.validated_data["promised_on"]
        promised = promises.promise(order, day, by=request.user, now=timezone.now())
        return shown(promised)


class WithdrawWorkOrder(_EditsOrder):
    """Withdraw a standing order for a reason."""

    serializer_class = scheduling_rows.Withdrawal

    @extend_schema(responses=scheduling_rows.WorkOrderRow, parameters=[IF_MATCH])
    @transaction.atomic
    def post(self, request: Request, pk: int) -> Response:
        """Withdraw it."""
        order = self.order_to_edit(request, pk)
        form = self.get_serializer(data=request.data)
        form.is_valid(raise_exception=True)
        reason = form.validated_data["reason"]
        return shown(work_orders.withdraw(order, by=request.user, reason=reason, now=timezone.now()))


def shown(order: WorkOrder, status: int = 200) -> Response:
    """Return an order with its ETag."""
    data = scheduling_rows.WorkOrderRow(order).data
    return Response(data, status=status, headers={"ETag": etag_of(data)})
