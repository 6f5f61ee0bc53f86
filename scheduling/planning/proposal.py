"""What comes out: routes with times, everything left out with its reason, totals. Placed + unplaced = all.

Plan against plan: what changed, for whom, minutes saved, promises moved.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

from scheduling.planning.problem import Pin, PinLevel, Problem
from scheduling.planning.travel import TravelSource
from shared.messages import message


class Reason(StrEnum):
    """Why an order is not in the plan. Those in ``PROOFS`` hold whatever else is moved."""

    NO_POSITION = message("site has no position")
    WINDOW_CLOSED = message("not due within these days")
    NO_SKILL = message("nobody has the skill")
    NO_PART = message("no van has the part")
    NO_SHIFT = message("nobody suitable on shift")
    SITE_CLOSED = message("site closed")
    ACCESS_TOO_SHORT = message("access hours shorter than the work")
    LONGER_THAN_SHIFT = message("longer than any shift")
    TOO_FAR = message("does not fit even an empty day")
    PIN_CONFLICT = message("the locked place is not possible")
    LINK = message("its other visit is not possible")
    DAY_FULL = message("day full")
    PART_USED_UP = message("the part is used up by other orders")
    COSTS_MORE = message("fits, but costs more than it is worth now")


PROOFS = frozenset(
    {
        Reason.NO_POSITION,
        Reason.WINDOW_CLOSED,
        Reason.NO_SKILL,
        Reason.NO_PART,
        Reason.NO_SHIFT,
        Reason.SITE_CLOSED,
        Reason.ACCESS_TOO_SHORT,
        Reason.LONGER_THAN_SHIFT,
        Reason.TOO_FAR,
    }
)


class Limit(StrEnum):
    """What stands in the way of the nearest miss."""

    SHIFT = message("the shift is too short")
    SITE_HOURS = message("the site shuts too early")


@dataclass(frozen=True)
class Refusal:
    """One input that can't be planned: what, why, what cures it. The rest is planned."""

    what: str
    message: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.what}: {self.message} {self.remedy}"


@dataclass(frozen=True)
class Stop:
    """One order done on a route. Seconds since local midnight of the route's day."""

    job_id: str
    place_id: str
    arrive_s: int
    start_s: int
    leave_s: int
    drive_s: int
    distance_m: int
    same_visit: bool = False
    """True when the technician is already at this site from the stop before."""
    late_days: int = 0
    why: str = ""


@dataclass(frozen=True)
class Route:
    """One technician's day."""

    technician_id: str
    day: date
    start_place_id: str
    end_place_id: str
    start_s: int
    end_s: int
    drive_s: int
    distance_m: int
    stops: tuple[Stop, ...]
    lunch: tuple[int, int] | None = None
    overtime_s: int = 0

    @property
    def job_ids(self) -> tuple[str, ...]:
        """Return the orders of the route in their order."""
        return tuple(stop.job_id for stop in self.stops)


@dataclass(frozen=True)
class Unplaced:
    """One order left out, with the binding reason found by trying."""

    job_id: str
    reason: Reason
    text: str
    remedy: str = ""
    short_s: int | None = None
    limit: Limit | None = None
    technician_id: str | None = None
    day: date | None = None
    extra_min: float | None = None


@dataclass(frozen=True)
class Totals:
    """The plan in figures; ``cost_min`` is the price list applied. Minutes of [min], seconds of [s]."""

    cost_min: float = 0.0
    drive_s: int = 0
    distance_m: int = 0
    visits: int = 0
    placed: int = 0
    late_jobs: int = 0
    late_days: int = 0
    unplaced: int = 0
    unplaced_due: int = 0
    overtime_s: int = 0
    second_visits: int = 0
    """Visits that come to a site again within 14 days of the one before."""
    grouping_saved_min: float = 0.0
    """What doing several orders in one visit spares against trips of their own. [min]"""


@dataclass(frozen=True)
class Proposal:
    """A whole plan. Raises ValueError unless every order is exactly once placed or unplaced."""

    job_ids: tuple[str, ...]
    routes: tuple[Route, ...]
    unplaced: tuple[Unplaced, ...]
    refusals: tuple[Refusal, ...] = ()
    totals: Totals = Totals()
    seed: int = 0
    versions: Mapping[str, str] = field(default_factory=dict)
    inputs_hash: str = ""
    travel_source: TravelSource = TravelSource.ESTIMATED
    travel_note: str = ""

    def __post_init__(self) -> None:
        placed = [stop.job_id for route in self.routes for stop in route.stops]
        left_out = [one.job_id for one in self.unplaced]
        both = sorted(placed + left_out)
        if both != sorted(self.job_ids) or len(set(both)) != len(both):
            raise ValueError("placed and unplaced together must be all orders, each once")
        days = [(route.technician_id, route.day) for route in self.routes]
        if len(set(days)) != len(days):
            raise ValueError("a technician has two routes on one day")

    def placements(self) -> Iterator[tuple[Route, Stop]]:
        """Yield every stop with its route."""
        for route in self.routes:
            for stop in route.stops:
                yield route, stop

    def where(self, job_id: str) -> tuple[Route, Stop] | None:
        """Return the route and stop of an order, None when it is not placed."""
        return next(((route, stop) for route, stop in self.placements() if stop.job_id == job_id), None)


NOTICEABLE_S = 15 * 60
"""A shift in the time of day below this is no change to anybody (*common practice*: a quarter of an hour)."""


class ChangeKind(StrEnum):
    """What happened to one order between two plans."""

    ADDED = "now placed"
    DROPPED = "no longer placed"
    DAY = "another day"
    PERSON = "another person"
    TIME = "another time that day"


@dataclass(frozen=True)
class Spot:
    """Where an order is: technician, day, start of work. [s]"""

    technician_id: str
    day: date
    start_s: int


@dataclass(frozen=True)
class Change:
    """One order that moved."""

    job_id: str
    kind: ChangeKind
    before: Spot | None
    after: Spot | None
    promise_moved: bool = False


@dataclass(frozen=True)
class Comparison:
    """``after`` against ``before``; savings are positive when the later plan is better. [min]"""

    changes: tuple[Change, ...]
    technicians: tuple[str, ...]
    """Whose days change, by id."""
    drive_saved_min: float
    price_saved_min: float
    late_days_saved: int
    promises_moved: int
    kept: int


def compare(problem: Problem, before: Proposal, after: Proposal) -> Comparison:
    """Return what changes for whom when ``after`` replaces ``before``; promises are the problem's pins."""
    promised = {job.id: job.pin for job in problem.jobs if job.pin and job.pin.level == PinLevel.PROMISED}
    return compared(_spots(before), _spots(after), before.totals, after.totals, promised)


def compared(
    old: Mapping[str, Spot],
    new: Mapping[str, Spot],
    before: Totals,
    after: Totals,
    promised: Mapping[str, Pin],
) -> Comparison:
    """Return what changes between plans, as spots of their orders; ``promised`` pins must not move."""
    changes = []
    for job_id in sorted(old.keys() | new.keys()):
        was, now = old.get(job_id), new.get(job_id)
        kind = _kind(was, now)
        if kind is None:
            continue
        pin = promised.get(job_id)
        is_kept = pin is None or (
            now is not None and now.day == pin.day and pin.earliest_s <= now.start_s <= pin.latest_s
        )
        changes.append(Change(job_id, kind, was, now, not is_kept))
    people = {spot.technician_id for change in changes for spot in (change.before, change.after) if spot}
    return Comparison(
        changes=tuple(changes),
        technicians=tuple(sorted(people)),
        drive_saved_min=round((before.drive_s - after.drive_s) / 60, 1),
        price_saved_min=round(before.cost_min - after.cost_min, 1),
        late_days_saved=before.late_days - after.late_days,
        promises_moved=sum(change.promise_moved for change in changes),
        kept=len(old.keys() & new.keys())
        - sum(change.before is not None and change.after is not None for change in changes),
    )


def _spots(proposal: Proposal) -> dict[str, Spot]:
    return {
        stop.job_id: Spot(route.technician_id, route.day, stop.start_s)
        for route, stop in proposal.placements()
    }


def _kind(was: Spot | None, now: Spot | None) -> ChangeKind | None:
    if was is None:
        return ChangeKind.ADDED
    if now is None:
        return ChangeKind.DROPPED
    if was.day != now.day:
        return ChangeKind.DAY
    if was.technician_id != now.technician_id:
        return ChangeKind.PERSON
    return ChangeKind.TIME if abs(was.start_s - now.start_s) > NOTICEABLE_S else None
