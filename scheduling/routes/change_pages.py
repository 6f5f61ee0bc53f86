"""What the pages of moves, re-plans and the planner's settings show.

What changes, and for whom, when one plan replaces another.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.db.models import Q
from django.utils.translation import gettext

from scheduling.models import (
    PlanRevision,
    Replan,
    RouteProposal,
    StopOrder,
    Technician,
    UnplacedOrder,
    WorkOrder,
)
from scheduling.orders.selectors import number_of
from scheduling.planning import problem as planning
from scheduling.planning.proposal import ChangeKind, Proposal, Reason, Route, Stop, Totals, Unplaced, compare
from scheduling.planning.travel import Place, estimate_travel
from scheduling.routes.snapshots import Effect, effect_of
from scheduling.routes.stored import second_of
from shared.periods import days_from
from shared.translation import written


@dataclass(frozen=True)
class ChangeRow:
    """One order that moves."""

    pk: int
    number: str
    site: str
    kind: str
    was: str
    now: str
    promise_moved: bool


@dataclass(frozen=True)
class EffectRow:
    """What one plan changes against another. Minutes and days are positive when there are more."""

    changes: list[ChangeRow]
    drive_minutes: int = 0
    price_minutes: int | None = None
    late_days: int = 0
    promises_moved: int = 0
    kept: int = 0
    people: Sequence[str] = ()

    @property
    def moves(self) -> list[ChangeRow]:
        """Orders whose day or person changes, broken promises and dropped ones first."""
        moved = [one for one in self.changes if one.kind != ChangeKind.TIME or one.promise_moved]
        return sorted(moved, key=lambda one: (not one.promise_moved, one.kind != ChangeKind.DROPPED, one.pk))

    @property
    def shifts(self) -> list[ChangeRow]:
        """Orders that stay with their person and day at another time."""
        return [one for one in self.changes if one.kind == ChangeKind.TIME and not one.promise_moved]

    @property
    def drive(self) -> str:
        """Minutes of driving with their sign."""
        return signed(self.drive_minutes)

    @property
    def late(self) -> str:
        """Days late with their sign."""
        return signed(self.late_days)

    @property
    def price(self) -> str:
        """Minutes by the price list with their sign; empty where the two can't be compared."""
        return "" if self.price_minutes is None else signed(self.price_minutes)


@dataclass(frozen=True)
class RevisionRow:
    """One change by hand."""

    number: int
    at: datetime
    by: str
    what: str
    drive_minutes: int
    undone_at: datetime | None
    undone_by: str
    is_newest_standing: bool

    @property
    def drive(self) -> str:
        """Minutes of driving with their sign."""
        return signed(self.drive_minutes)


@dataclass(frozen=True)
class OrderHere:
    """An order with its place in a plan."""

    order: WorkOrder
    number: str
    technician: str
    day: date | None
    stop_pk: int | None
    is_pinned: bool


@dataclass(frozen=True)
class MovePage:
    """What can be chosen for a move."""

    orders: list[OrderHere]
    people: list[Technician]
    days: list[date]


def signed(number: int) -> str:
    """Return a whole number with its sign, as shown."""
    return f"{number:+d}".replace("-", "−") if number else "0"


def effect_row(effect: Effect) -> EffectRow:
    """Return a kept effect as a row."""
    changes = [
        ChangeRow(**change | {"was": _spot_words(change["was"]), "now": _spot_words(change["now"])})
        for change in effect.get("changes", [])
    ]
    return EffectRow(**effect | {"changes": changes})


def revision_rows(proposal_id: int) -> list[RevisionRow]:
    """Return the changes by hand, newest first. One query."""
    rows = list(PlanRevision.objects.filter(proposal_id=proposal_id).select_related("by", "undone_by"))
    newest = max((one.number for one in rows if one.undone_at is None), default=0)
    return [
        RevisionRow(
            number=one.number,
            at=one.at,
            by=str(one.by) if one.by else "",
            what=one.what,
            drive_minutes=one.effect.get("drive_minutes", 0),
            undone_at=one.undone_at,
            undone_by=str(one.undone_by) if one.undone_by else "",
            is_newest_standing=one.number == newest,
        )
        for one in rows
    ]


def move_page(row: RouteProposal, order_ids: list[int]) -> MovePage:
    """Return orders with their places in a plan, and the people and days to choose from. Three queries."""
    orders = list(
        WorkOrder.objects.filter(pk__in=order_ids)
        .select_related("site__branch", "treatment_unit")
        .order_by("pk")
    )
    links = StopOrder.objects.filter(stop__route__proposal=row, order__in=orders)
    spots = {link.order_id: link for link in links.select_related("stop__route__technician")}
    branch_id = orders[0].site.branch_id if orders else row.branch_id
    people = list(Technician.objects.filter(branch_id=branch_id, is_active=True).order_by("name"))
    days = days_from(row.first_on, (row.last_on - row.first_on).days + 1)
    return MovePage([_here(order, spots.get(order.pk)) for order in orders], people, days)


def orders_of_stop(proposal_id: int, stop_id: int) -> list[int]:
    """Return the orders of one stop of a plan."""
    links = StopOrder.objects.filter(stop_id=stop_id, stop__route__proposal_id=proposal_id)
    return list(links.order_by("pk").values_list("order_id", flat=True))


def replan_of(pk: int, branch_id: int | None) -> Replan | None:
    """Return a re-plan by its proposal."""
    rows = Replan.objects.select_related("proposal__branch", "technician", "made_by", "undone_by")
    rows = rows.filter(proposal__branch_id=branch_id) if branch_id else rows
    return rows.filter(proposal_id=pk).first()


def _spot_words(spot: dict | None) -> str:
    if spot is None:
        return gettext("left out")
    day = date.fromisoformat(spot["day"])
    return f"{spot['who']}, {written(day, '%a')} {day.day} {written(day, '%b')}, {spot['at']}"


def _here(order: WorkOrder, link: StopOrder | None) -> OrderHere:
    return OrderHere(
        order=order,
        number=number_of(order.pk),
        technician=link.stop.route.technician.name if link else "",
        day=link.stop.route.day if link else None,
        stop_pk=link.stop_id if link else None,
        is_pinned=bool(link and link.stop.is_pinned),
    )


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
    people = {
        link.stop.route.technician.code: link.stop.route.technician
        for part in links.values()
        for link in part
    }
    by_number = {number_of(pk): order for pk, order in orders.items()}
    return effect_row(effect_of(found, by_number, people))


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
        zone = route.technician.branch.time_zone
        stops = tuple(
            Stop(number_of(link.order_id), "", 0, second_of(link.stop.starts_at, zone), 0, 0, 0)
            for link in part
        )
        routes.append(Route(route.technician.code, route.day, "", "", 0, 0, 0, 0, stops))
    on_route = {link.order_id for link in links[row.pk]}
    unplaced = tuple(Unplaced(number_of(pk), Reason.COSTS_MORE, "") for pk in sorted(everyone - on_route))
    totals = Totals(**{name: row.totals.get(name, 0) for name in Totals.__dataclass_fields__})
    ids = tuple(number_of(pk) for pk in sorted(everyone | on_route))
    return Proposal(ids, tuple(routes), unplaced, totals=totals)
