"""What the pages of moves, re-plans and the planner's settings show.

What changes, and for whom, when one plan replaces another.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from django.db.models import Q
from django.utils.translation import gettext

from scheduling.models import (
    PlanRevision,
    Replan,
    RouteProposal,
    StopOrder,
    Technician,
    WorkOrder,
)
from scheduling.orders.selectors import number_of
from scheduling.planning.problem import Pin, PinLevel
from scheduling.planning.proposal import ChangeKind, Spot, Totals, compared
from scheduling.routes.problem import hours_on_wall
from scheduling.routes.snapshots import Effect, effect_of
from scheduling.routes.stored import second_of
from shared.periods import days_from
from shared.translation import written


@dataclass(frozen=True)
class EffectRow:
    """What one plan changes against another. Minutes and days are positive when there are more."""

    changes: list[dict]
    """Each with pk, number, site, kind, was, now, promise_moved."""
    drive_minutes: int = 0
    price_minutes: int | None = None
    late_days: int = 0
    promises_moved: int = 0
    kept: int = 0
    people: Sequence[str] = ()

    @property
    def moves(self) -> list[dict]:
        """Orders whose day or person changes, broken promises and dropped ones first."""
        moved = [change for change in self.changes if not _is_shift(change)]
        return sorted(
            moved,
            key=lambda one: (not one["promise_moved"], one["kind"] != ChangeKind.DROPPED, one["pk"]),
        )

    @property
    def shifts(self) -> list[dict]:
        """Orders that stay with their person and day at another time."""
        return [change for change in self.changes if _is_shift(change)]

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
        change | {"was": _spot_words(change["was"]), "now": _spot_words(change["now"])}
        for change in effect.get("changes", [])
    ]
    return EffectRow(**effect | {"changes": changes})


def revisions(proposal: RouteProposal) -> list[PlanRevision]:
    """Return the changes by hand, newest first. One query."""
    rows = list(proposal.revisions.select_related("by", "undone_by"))
    newest = max((row.number for row in rows if row.undone_at is None), default=0)
    for row in rows:
        row.can_be_undone = row.number == newest
    return rows


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


def _is_shift(change: dict) -> bool:
    return change["kind"] == ChangeKind.TIME and not change["promise_moved"]


def _spot_words(spot: dict | None) -> str:
    if spot is None:
        return gettext("not scheduled")
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
    """Return what changes, for whom, when one plan replaces another. Two queries, however many stops."""
    links = {row.pk: _links(row) for row in (before, after)}
    both = [link for part in links.values() for link in part]
    orders = {link.number: link.order for link in both}
    promised = {
        link.number: Pin(PinLevel.PROMISED, link.order.promised_on, ANYBODY, *_promised_s(link))
        for link in both
        if link.order.promised_on
    }
    spots = [{link.number: _spot(link) for link in links[row.pk]} for row in (before, after)]
    changed = compared(*spots, _totals(before), _totals(after), promised)
    people = {link.stop.route.technician.code: link.stop.route.technician for link in both}
    return effect_row(effect_of(changed, orders, people))


def _promised_s(link: StopOrder) -> tuple[int, ...]:
    order, zone = link.order, link.stop.route.technician.branch.time_zone
    if order.promised_on is None or order.promised_hours is None:
        return ()
    return hours_on_wall(*order.promised_hours, order.promised_on, order.site.time_zone, zone)


def _links(row: RouteProposal) -> list[StopOrder]:
    links = StopOrder.objects.filter(stop__route__proposal=row)
    return list(links.select_related("stop__route__technician__branch", "order__site"))


def _spot(link: StopOrder) -> Spot:
    stop, route = link.stop, link.stop.route
    return Spot(route.technician.code, route.day, second_of(stop.starts_at, route.zone))


def _totals(row: RouteProposal) -> Totals:
    return Totals(**{name: row.totals.get(name, 0) for name in Totals.__dataclass_fields__})
