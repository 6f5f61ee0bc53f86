"""What the pages of moves, re-plans and the planner's settings show."""

from dataclasses import dataclass
from datetime import date, datetime

from django.utils.translation import gettext

from scheduling.models import (
    PlanRevision,
    Replan,
    RouteProposal,
    StopOrder,
    Technician,
    WorkOrder,
)
from scheduling.planning.compare import ChangeKind
from scheduling.queries.work_orders import number_of
from shared.periods import days_from
from shared.told import written


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

    drive_minutes: int
    price_minutes: int | None
    late_days: int
    promises_moved: int
    kept: int
    people: list[str]
    changes: list[ChangeRow]

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


def effect_row(stored: dict) -> EffectRow:
    """Return a stored effect as a row."""
    return EffectRow(
        drive_minutes=stored.get("drive_minutes", 0),
        price_minutes=stored.get("price_minutes"),
        late_days=stored.get("late_days", 0),
        promises_moved=stored.get("promises_moved", 0),
        kept=stored.get("kept", 0),
        people=stored.get("people", []),
        changes=[
            ChangeRow(
                one["pk"], one["number"], one["site"], one["kind"], _spot_words(one["was"]),
                _spot_words(one["now"]), one["promise_moved"],
            )
            for one in stored.get("changes", [])
        ],
    )  # fmt: skip


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
