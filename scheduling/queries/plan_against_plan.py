"""What changes, and for whom, when one plan replaces another."""

from datetime import datetime
from zoneinfo import ZoneInfo

from django.db.models import Q
from django.utils.translation import gettext

from scheduling.models import RouteProposal, StopOrder, UnplacedOrder, WorkOrder
from scheduling.planning import problem as planning
from scheduling.planning.compare import compare
from scheduling.planning.proposal import Proposal, Reason, Route, Stop, Totals, Unplaced
from scheduling.planning.travel import Place, estimate_travel
from scheduling.queries.route_moves import ChangeRow, EffectRow
from scheduling.queries.work_orders import number_of
from shared.periods import days_from
from shared.told import written

ANYBODY = "anybody"


def others_to_compare(row: RouteProposal) -> list[RouteProposal]:
    """Return plans that share days with this one, newest first. One query."""
    others = RouteProposal.objects.filter(first_on__lte=row.last_on, last_on__gte=row.first_on)
    others = others.filter(state__in=["ready", "published", "set_aside"]).exclude(pk=row.pk)
    if row.branch_id:
        others = others.filter(Q(branch_id=row.branch_id) | Q(branch=None))
    return list(others.select_related("branch")[:20])


def comparison(before: RouteProposal, after: RouteProposal) -> EffectRow:
    """Return what changes, for whom, when one plan replaces another. Six queries, however many stops."""
    links = {row.pk: _links(row) for row in (before, after)}
    orders = {link.order_id: link.order for part in links.values() for link in part}
    left = {row.pk: _left_out(row) for row in (before, after)}
    everyone = set(orders) | left[before.pk] | left[after.pk]
    problem = _promises(orders, before, after)
    found = compare(problem, _plan(before, links, everyone), _plan(after, links, everyone))
    names = {
        link.stop.route.technician.code: link.stop.route.technician.name
        for part in links.values()
        for link in part
    }
    by_number = {number_of(pk): order for pk, order in orders.items()}
    return EffectRow(
        drive_minutes=round(-found.drive_saved_min),
        price_minutes=round(-found.price_saved_min),
        late_days=-found.late_days_saved,
        promises_moved=found.promises_moved,
        kept=found.kept,
        people=[names[code] for code in found.technicians],
        changes=[
            ChangeRow(
                by_number[one.job_id].pk, one.job_id, by_number[one.job_id].site.name, one.kind.value,
                _planned_words(one.before, names), _planned_words(one.after, names), one.promise_moved,
            )
            for one in found.changes
        ],
    )  # fmt: skip


def _planned_words(spot, names: dict[str, str]) -> str:
    if spot is None:
        return gettext("left out")
    hours, minutes = divmod(spot.start_s // 60, 60)
    day = spot.day
    on = f"{written(day, '%a')} {day.day} {written(day, '%b')}"
    return f"{names[spot.technician_id]}, {on}, {hours:02d}:{minutes:02d}"


def _links(row: RouteProposal) -> list[StopOrder]:
    links = StopOrder.objects.filter(stop__route__proposal=row)
    read = links.select_related("stop__route__technician__branch", "order__site")
    return list(read.order_by("stop__route__day", "stop__route_id", "stop__place", "pk"))


def _left_out(row: RouteProposal) -> set[int]:
    return set(UnplacedOrder.objects.filter(proposal=row).values_list("order_id", flat=True))


def _promises(orders: dict[int, WorkOrder], *rows: RouteProposal) -> planning.Problem:
    """Return a problem that knows nothing but what was promised: all that comparing needs."""
    first, last = min(row.first_on for row in rows), max(row.last_on for row in rows)
    jobs = tuple(
        planning.Job(
            number_of(pk), Place(str(pk), None, None), 0, order.promised_on, order.promised_on,
            pin=planning.Pin(planning.PinLevel.PROMISED, order.promised_on, ANYBODY),
        )
        for pk, order in orders.items()
        if order.promised_on
    )  # fmt: skip
    days = tuple(days_from(first, (last - first).days + 1))
    return planning.Problem(days, (), (), jobs, estimate_travel([]))


def _plan(row: RouteProposal, links: dict[int, list[StopOrder]], everyone: set[int]) -> Proposal:
    by_route: dict[int, list[StopOrder]] = {}
    for link in links[row.pk]:
        by_route.setdefault(link.stop.route_id, []).append(link)
    routes = []
    for part in by_route.values():
        route = part[0].stop.route
        zone = ZoneInfo(route.technician.branch.time_zone)
        stops = tuple(
            Stop(number_of(link.order_id), "", 0, _second(link.stop.starts_at, zone), 0, 0, 0)
            for link in part
        )
        routes.append(Route(route.technician.code, route.day, "", "", 0, 0, 0, 0, stops))
    on_route = {link.order_id for link in links[row.pk]}
    unplaced = tuple(Unplaced(number_of(pk), Reason.COSTS_MORE, "") for pk in sorted(everyone - on_route))
    totals = Totals(**{name: row.totals.get(name, 0) for name in Totals.__dataclass_fields__})
    ids = tuple(number_of(pk) for pk in sorted(everyone | on_route))
    return Proposal(ids, tuple(routes), unplaced, totals=totals)


def _second(moment: datetime, zone: ZoneInfo) -> int:
    here = moment.astimezone(zone)
    return here.hour * 3600 + here.minute * 60 + here.second
