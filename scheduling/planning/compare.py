"""Plan against plan: what changed, for whom, minutes saved, promises moved."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from scheduling.planning.problem import PinLevel, Problem
from scheduling.planning.proposal import Proposal

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

    @property
    def visits_moved(self) -> int:
        """Orders in both plans whose day or person differs."""
        return sum(one.kind in (ChangeKind.DAY, ChangeKind.PERSON) for one in self.changes)


def compare(problem: Problem, before: Proposal, after: Proposal) -> Comparison:
    """Return what changes for whom when ``after`` replaces ``before``; promises are the problem's pins."""
    old, new = _spots(before), _spots(after)
    pins = {job.id: job.pin for job in problem.jobs if job.pin and job.pin.level == PinLevel.PROMISED}
    changes = []
    for job_id in sorted(old.keys() | new.keys()):
        was, now = old.get(job_id), new.get(job_id)
        kind = _kind(was, now)
        if kind is None:
            continue
        pin = pins.get(job_id)
        kept_promise = pin is None or (
            now is not None and now.day == pin.day and pin.earliest_s <= now.start_s <= pin.latest_s
        )
        changes.append(Change(job_id, kind, was, now, not kept_promise))
    people = {spot.technician_id for one in changes for spot in (one.before, one.after) if spot is not None}
    return Comparison(
        changes=tuple(changes),
        technicians=tuple(sorted(people)),
        drive_saved_min=round((before.totals.drive_s - after.totals.drive_s) / 60, 1),
        price_saved_min=round(before.totals.cost_min - after.totals.cost_min, 1),
        late_days_saved=before.totals.late_days - after.totals.late_days,
        promises_moved=sum(one.promise_moved for one in changes),
        kept=len(old.keys() & new.keys())
        - sum(one.before is not None and one.after is not None for one in changes),
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
