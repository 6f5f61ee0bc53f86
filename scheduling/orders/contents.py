"""How long work takes before anybody has timed it.

What an order asks for: minutes, parts, window. From a finding's numbers, by rules of our own.
"""

from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import Final

from fleet.models import FindingKind, OwedFlush
from fleet.science.settings import ReadinessSettings
from scheduling.orders.kinds import KIND_OF_FINDING

SET_UP_MINUTES: Final = 10
"""Isolate, lock out, prove zero pressure, and watch the joints afterwards. *Common practice.*"""
DEFAULT_CHANGE_MINUTES: Final = 20
USUAL: Final = ReadinessSettings()


@dataclass(frozen=True)
class Contents:
    """What goes into an order beside its cause."""

    kind: str
    why: str
    numbers: dict
    strength: float
    window_from: date
    best_by_on: date
    window_to: date
    likely_on: date | None
    minutes: int
    flush_minutes: int
    part_kind_ids: tuple[int, ...] = field(default=())


def from_finding(row: dict, today: date) -> Contents:
    """Return the contents for a finding.

    Parameters
    ----------
    row : a finding's values with ``part__kind__*`` of its part.
    today : the site's day.
    """
    kind = KIND_OF_FINDING[row["kind"]]
    flush = flush_minutes(row)
    window_from, best_by_on, window_to = two_dates(row, today)
    work = kind.minutes
    if work is None:
        work = row["part__kind__change_minutes"] or DEFAULT_CHANGE_MINUTES
    part_kind_id = row["part__kind_id"] if kind.needs_part else None
    return Contents(
        kind=kind.kind,
        why=row["why"],
        numbers={**row["numbers"], "cause": row["kind"]},
        strength=row["strength"],
        window_from=window_from,
        best_by_on=best_by_on,
        window_to=window_to,
        likely_on=row["likely_on"],
        minutes=SET_UP_MINUTES + work + flush,
        flush_minutes=flush,
        part_kind_ids=(part_kind_id,) if part_kind_id else (),
    )


def two_dates(row: dict, today: date) -> tuple[date, date, date]:
    """Return when work on a finding may begin, its best-by date and its limit, in this order.

    *Best by* is money: from here on waiting costs more than it saves. The *limit* is water: not beyond; late
    is past it (``shared.periods.days_late``). All may lie in the past: the order is late from its first day.

    - A change: from the day its wasted life is worth a trip, best by the end of its due window
      (``fleet.science.economics.due_window``), limit the day its wear is likely to reach its limit.
    - A bed that stands overnight: from the day after it was started on, limit the day after that.
    - A flush owed: at once; limit two days after it came to be owed.
    - All else: from the finding's first day, best by its likely and limit its late date.
    """
    first = row["not_before_on"] or row["early_on"] or today
    likely = row["likely_on"] or row["late_on"] or today
    if is_bedding(row):
        started = row["early_on"] or today
        first = best_by = started + timedelta(days=1)
        limit = started + timedelta(days=2)
    elif row["kind"] == FindingKind.CHANGE_DUE:
        not_after = row["numbers"].get("not_after_on")
        best_by, limit = date.fromisoformat(not_after) if not_after else likely, likely
    else:
        best_by, limit = likely, row["late_on"] or likely
    best_by = min(best_by, limit)
    return min(first, best_by), best_by, limit


def is_bedding(row: dict) -> bool:
    """Say whether the finding waits for the second flush after a night."""
    return (
        row["kind"] == FindingKind.REFLUSH_REQUIRED
        and row["numbers"].get("owed") == OwedFlush.BEDDED_OVERNIGHT
    )


def flush_minutes(row: dict) -> int:
    """Return the minutes of flushing that belong to the work: volume ÷ flow. [min]"""
    if row["kind"] == FindingKind.REFLUSH_REQUIRED:
        return round(row["numbers"].get("flush_minutes") or USUAL.carbon_flush_gal / USUAL.flush_gpm)
    if row["kind"] == FindingKind.CHANGE_DUE and row["part__kind__needs_flush"]:
        gal = row["part__kind__flush_gal"] or USUAL.carbon_flush_gal
        return round(gal / (row["part__kind__flush_gpm"] or USUAL.flush_gpm))
    return 0
