"""Reading routes, close-outs and revenue entries."""

from django.db.models import Prefetch

from api import filters, scheduling_rows
from api.operations import ListRows, ShowRow
from scheduling.models import CloseOut, RevenueEntry, Route, Stop
from shared.roles import Permission

SEES_WORK = (Permission.SEE_WORK, Permission.SEE_OWN_DAY)
SEES_REVENUE = (Permission.SEE_REVENUE,)


class ListRoutes(ListRows):
    """List published routes with their stops."""

    needs = SEES_WORK
    queryset = (
        Route.objects.filter(is_in_force=True)
        .select_related("technician__branch")
        .prefetch_related(Prefetch("stops", Stop.objects.select_related("site").prefetch_related("orders")))
    )
    serializer_class = scheduling_rows.RouteRow
    filterset_class = filters.RouteFilter
    orderings = ("id", "day")


class ShowRoute(ShowRow, of=ListRoutes):
    """Show one published route with its stops."""


class ListCloseOuts(ListRows):
    """List close-outs, undone ones included."""

    needs = SEES_WORK
    queryset = CloseOut.objects.select_related("order__treatment_unit", "technician")
    serializer_class = scheduling_rows.CloseOutRow
    filterset_class = filters.CloseOutFilter
    orderings = ("id", "finished_at", "received_at")


class ShowCloseOut(ShowRow, of=ListCloseOuts):
    """Show one close-out."""


class ListRevenueEntries(ListRows):
    """List revenue entries, corrections as entries of their own."""

    needs = SEES_REVENUE
    queryset = RevenueEntry.objects.select_related("site", "plan")
    serializer_class = scheduling_rows.RevenueEntryRow
    filterset_class = filters.RevenueEntryFilter
    orderings = ("id", "month", "entered_at")


class ShowRevenueEntry(ShowRow, of=ListRevenueEntries):
    """Show one revenue entry."""
