"""What finished visits teach about drives and work, and which factors plans reckon with now.

What visits teach counts in plans only once a planner accepts it, and can be taken back.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from fleet.models import Branch, Person
from scheduling.models import AcceptedPace, CloseOut, OrderKind, Outcome, Stop
from scheduling.planning.duration_factor import DurationFactor, NotEnough, fit_factor
from scheduling.planning.travel import great_circle_m, road_estimate
from shared.errors import DomainError
from shared.messages import message
from shared.translation import label_of

DRIVE = "drive"
LOOK_BACK = timedelta(days=365)
MOST_ROWS = 20_000
LONGEST_GAP_MIN = 180
"""Between two visits more than this is no drive: lunch at home, an errand. Our choice. [min]"""
LONGEST_WAIT_MIN = 2
"""Where the plan itself has the technician wait at the door, the gap says nothing of the road. [min]"""


@dataclass(frozen=True)
class Suggestion:
    """What visits teach about drives or one kind of order, and what counts in plans now."""

    what: str
    title: str
    found: DurationFactor | NotEnough
    in_use: AcceptedPace | None

    @property
    def factor_in_use(self) -> float:
        """Return the factor plans reckon with now."""
        return self.in_use.factor if self.in_use else 1.0

    @property
    def is_learned(self) -> bool:
        """Say whether there are visits enough."""
        return isinstance(self.found, DurationFactor)

    @property
    def can_be_accepted(self) -> bool:
        """Say whether there is something new to accept."""
        return isinstance(self.found, DurationFactor) and abs(self.found.factor - self.factor_in_use) >= 0.01


def suggestions(branch: Branch, *, now: datetime, site_visit_min: float) -> list[Suggestion]:
    """Return what a branch's visits of the last year teach: drives first, then each kind of order."""
    in_use = in_use_of(branch)
    rows = _finished(branch, now)
    learned = {DRIVE: fit_factor(*_drives(rows, site_visit_min))}
    by_kind: dict[str, list[CloseOut]] = defaultdict(list)
    for row in rows:
        if row.outcome == Outcome.DONE and row.order.minutes and row.minutes:
            by_kind[row.order.kind].append(row)
    for kind in OrderKind.values:
        done = by_kind[kind]
        learned[kind] = fit_factor([one.order.minutes for one in done], [one.minutes for one in done])
    return [Suggestion(what, title_of(what), found, in_use.get(what)) for what, found in learned.items()]


def in_use_of(branch: Branch) -> dict[str, AcceptedPace]:
    """Return the factors plans reckon with, by drive and kind of order. One query."""
    newest: dict[str, AcceptedPace] = {}
    for row in AcceptedPace.objects.filter(branch=branch).select_related("accepted_by"):
        newest.setdefault(row.what, row)
    return {what: row for what, row in newest.items() if row.visits}


def title_of(what: str) -> str:
    """Return what a factor is about, as shown."""
    return message("Drives") if what == DRIVE else label_of(OrderKind, what)


def _finished(branch: Branch, now: datetime) -> list[CloseOut]:
    rows = CloseOut.objects.filter(
        undone_at__isnull=True, order__site__branch=branch, finished_at__range=(now - LOOK_BACK, now)
    )
    return list(
        rows.select_related("order", "stop__site", "stop__route").order_by("-finished_at")[:MOST_ROWS]
    )


def _drives(rows: Iterable[CloseOut], site_visit_min: float) -> tuple[list[float], list[float]]:
    """Return (estimated, real) minutes between visits that followed each other as planned."""
    visits: dict[int, list[CloseOut]] = defaultdict(list)
    for row in rows:
        if row.stop is not None:
            visits[row.stop_id].append(row)
    at = {(one[0].stop.route_id, one[0].stop.place): one for one in visits.values()}
    legs = [(before, after) for key, after in at.items() if (before := at.get((key[0], key[1] - 1)))]
    estimated, real = [], []
    for before, after in legs:
        base = _estimate_min(before[0].stop, after[0].stop)
        gap = _gap_min(before, after) - site_visit_min
        if base is not None and 0 < gap <= LONGEST_GAP_MIN and not _is_held_up(before[0].stop, after[0].stop):
            estimated.append(base)
            real.append(gap)
    return estimated, real


def _gap_min(before: list[CloseOut], after: list[CloseOut]) -> float:
    left = max(row.finished_at for row in before)
    began = min(row.finished_at - timedelta(minutes=row.minutes) for row in after)
    return (began - left).total_seconds() / 60


def _is_held_up(before: Stop, after: Stop) -> bool:
    """Whether lunch, or a wait at the door, is planned between two stops."""
    lunch = after.route.lunch_at
    waits = after.starts_at - after.arrives_at > timedelta(minutes=LONGEST_WAIT_MIN + 8)
    return waits or (lunch is not None and before.leaves_at <= lunch <= after.starts_at)


def _estimate_min(before: Stop, after: Stop) -> float | None:
    """Return the drive by the estimate alone, without any factor; None where a position is missing. [min]"""
    ends = (before.site, after.site)
    if (
        any(site.latitude is None or site.longitude is None for site in ends)
        or before.site_id == after.site_id
    ):
        return None
    straight = great_circle_m([site.latitude for site in ends], [site.longitude for site in ends])[0, 1]
    drive_s, _ = road_estimate(np.array([straight]))
    return float(drive_s[0]) / 60 or None


def accept(
    branch: Branch, what: str, *, factor_seen: float, by: Person | None, now: datetime, site_visit_min: float
) -> AcceptedPace:
    """Let plans reckon with what visits teach.

    Raises DomainError when there is nothing to learn, or when it is no longer what the person saw.
    """
    known = {one.what: one.found for one in suggestions(branch, now=now, site_visit_min=site_visit_min)}
    found = known.get(what)
    if not isinstance(found, DurationFactor):
        raise DomainError(
            message("{what}: there is nothing to accept.", what=title_of(what)),
            remedy=message("Wait for more finished visits."),
        )
    if abs(found.factor - factor_seen) > 0.005:
        raise DomainError(
            message("{what}: by now it is × {factor:.2f}.", what=title_of(what), factor=found.factor),
            remedy=message("Look again, then accept it."),
        )
    return AcceptedPace.objects.create(
        branch=branch, what=what, factor=found.factor, visits=found.visits, error_before=found.error_before,
        error_after=found.error_after, accepted_at=now, accepted_by=by,
    )  # fmt: skip


def give_back(branch: Branch, what: str, *, by: Person | None, now: datetime) -> AcceptedPace:
    """Let plans reckon without a factor again. Raises DomainError where none is in use."""
    if what not in in_use_of(branch):
        raise DomainError(
            message("{what}: no factor is in use.", what=title_of(what)),
            remedy=message("There is nothing to take back."),
        )
    return AcceptedPace.objects.create(
        branch=branch, what=what, factor=1, visits=0, accepted_at=now, accepted_by=by
    )
