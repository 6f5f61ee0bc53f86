"""Replays the past year: what the forecast would have said each month, against what happened."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Final

import numpy as np

from fleet.assessment.columns import PartTimes, read_part_times
from fleet.assessment.membrane_care import expected_ends
from fleet.assessment.replay import replayed
from fleet.database.columns import UnitRange
from fleet.models import PartKind, TreatmentUnit
from fleet.science.settings import DAYS_PER_MONTH
from scheduling.billing.forecast import HIGH
from scheduling.money.forecast import Score, changes_due, count_quantile, score
from scheduling.money.practice import learn_practice, practised
from shared.periods import add_months, local_moment, month_start

UNITS_AT_ONCE: Final = 5000
MONTHS: Final = 12
REPEATS: Final = 40
"""How often a rated life may be repeated inside the months looked at."""
FORECASTERS: Final = {
    "forecast": "This forecast",
    "rated": "Rated life only",
    "last_year": "Same month last year",
}


@dataclass(frozen=True)
class Backtest:
    """Counts of changes by kind and month: what happened, and what each forecaster would have said."""

    months: list[date]
    kinds: list[str]
    actual: np.ndarray
    """(kinds, months)"""
    said: dict[str, np.ndarray]
    """By the names in ``FORECASTERS``; NaN where nothing could be said."""
    high: np.ndarray
    """(kinds, months) what was to be enough with a chance of ``HIGH``."""

    def scores(self) -> dict[str, Score]:
        """Return each forecaster's score over the months that all of them could speak of."""
        known = np.all([np.isfinite(said) for said in self.said.values()], axis=0)
        return {
            name: score(self.actual[known], said[known], self.high[known] if name == "forecast" else None)
            for name, said in self.said.items()
        }

    def all_months(self) -> dict[str, Score]:
        """Return each forecaster's score over every month it could speak of."""
        return {
            name: score(self.actual, said, self.high if name == "forecast" else None)
            for name, said in self.said.items()
        }


def backtest(
    *, today: date, zone: str, on_month: Callable[[date], None] | None = None, ahead: int = 0
) -> Backtest:
    """Replay the past twelve whole months.

    Each month is forecast from what was known at its start (``ahead`` months before it), then compared with
    the parts that were really changed in it. Late removals of a kind no longer sold count as well. Nothing
    is written.
    """
    last = month_start(today)
    months = [add_months(last, i - MONTHS) for i in range(MONTHS)]
    kind_rows = {pk: i for i, pk in enumerate(PartKind.objects.order_by("code").values_list("pk", flat=True))}
    codes = list(PartKind.objects.order_by("code").values_list("code", flat=True))
    ranges = _ranges()
    times = [read_part_times(which) for which in ranges]
    shape = (len(codes), len(months))
    actual, last_year = np.zeros(shape), np.full(shape, np.nan)
    said, rated, high = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    first_known = _first_removal_d(times)
    for i, month in enumerate(months):
        edges = [_start_d(add_months(month, step), zone) for step in range(-ahead, 2)]
        actual[:, i] = _removed(times, kind_rows, edges[-2], edges[-1])
        year_ago = [_start_d(add_months(month, step - 12), zone) for step in (0, 1)]
        if first_known <= year_ago[0]:
            last_year[:, i] = _removed(times, kind_rows, *year_ago)
        rated[:, i] = _by_rating(times, kind_rows, np.array(edges))
        said[:, i], high[:, i] = _forecast(ranges, times, kind_rows, np.array(edges))
        if on_month:
            on_month(month)
    seen = (actual.sum(axis=1) + said.sum(axis=1) + rated.sum(axis=1)) > 0.05
    return Backtest(
        months=months,
        kinds=[code for code, is_seen in zip(codes, seen, strict=True) if is_seen],
        actual=actual[seen],
        said={"forecast": said[seen], "rated": rated[seen], "last_year": last_year[seen]},
        high=high[seen],
    )


def _ranges() -> list[UnitRange]:
    ids = list(TreatmentUnit.objects.order_by("pk").values_list("pk", flat=True))
    cuts = range(0, len(ids), UNITS_AT_ONCE)
    return [UnitRange(ids[i], ids[min(i + UNITS_AT_ONCE, len(ids)) - 1]) for i in cuts]


def _start_d(day: date, zone: str) -> float:
    return _days(local_moment(day, time(0), zone))


def _days(moment: datetime) -> float:
    return moment.timestamp() / 86_400


def _first_removal_d(times: list[PartTimes]) -> float:
    """Return the day of the first recorded removal: before it nobody wrote changes down."""
    days = [np.nanmin(one.removed_d) for one in times if np.isfinite(one.removed_d).any()]
    return float(min(days, default=np.inf))


def _removed(times: list[PartTimes], kind_rows: dict[int, int], begins: float, ends: float) -> np.ndarray:
    counts = np.zeros(len(kind_rows))
    for one in times:
        gone = (one.removed_d >= begins) & (one.removed_d < ends)
        np.add.at(counts, _rows(one.kind_id[gone], kind_rows), 1)
    return counts


def _rows(kind_id: np.ndarray, kind_rows: dict[int, int]) -> np.ndarray:
    return np.array([kind_rows[pk] for pk in kind_id.tolist()], dtype=np.int64)


def _by_rating(times: list[PartTimes], kind_rows: dict[int, int], edges: np.ndarray) -> np.ndarray:
    """Return changes in the last month if every part lived exactly as long as it is rated at design duty."""
    counts = np.zeros(len(kind_rows))
    for one in times:
        there = (one.installed_d <= edges[0]) & ~(one.removed_d <= edges[0])
        life = np.fmin(
            one.rated_months * DAYS_PER_MONTH, one.rated_gal / np.maximum(one.design_gal_per_day, 1e-9)
        )
        there &= np.isfinite(life)
        due, life = (one.installed_d + life)[there], np.maximum(life[there], 1.0)
        due = np.maximum(due, edges[0])
        again = due[:, None] + life[:, None] * np.arange(REPEATS)
        falls = ((again >= edges[-2]) & (again < edges[-1])).sum(axis=1)
        np.add.at(counts, _rows(one.kind_id[there], kind_rows), falls)
    return counts


@dataclass(frozen=True)
class _Then:
    """Parts in place at a moment, with the dates their limits were expected on."""

    kind_row: np.ndarray
    installed_d: np.ndarray
    early_d: np.ndarray
    likely_d: np.ndarray
    late_d: np.ndarray
    earlier_days: np.ndarray
    """Time in place of the part of the same kind before each; NaN where there was none. [day]"""


def _forecast(
    ranges: list[UnitRange], times: list[PartTimes], kind_rows: dict[int, int], edges: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the expected changes of each kind in the last month, and the number that was to be enough."""
    pieces = [_then(which, one, kind_rows, edges[0]) for which, one in zip(ranges, times, strict=True)]
    then = _Then(*(np.concatenate([getattr(piece, name) for piece in pieces]) for name in vars(pieces[0])))
    practice = learn_practice(
        then.earlier_days, then.likely_d - then.installed_d, then.kind_row, len(kind_rows)
    )
    dates = practised(then.installed_d, then.early_d, then.likely_d, then.late_d, then.kind_row, practice)
    found = changes_due(dates.early_d, dates.likely_d, dates.late_d, dates.life_days, edges, dates.spread)
    rows, last = then.kind_row[found.part_row], found.chance[:, -1]
    means = np.bincount(rows, weights=last, minlength=len(kind_rows))
    highs = [count_quantile(last[rows == row], HIGH) for row in range(len(kind_rows))]
    return means, np.array(highs, dtype=np.float64)


def _then(which: UnitRange, times: PartTimes, kind_rows: dict[int, int], then_d: float) -> _Then:
    shard, life = replayed(which, float(then_d))
    parts = shard.columns.parts
    # As the forecast does: a membrane that measures well is expected to end as membranes do.
    of_well = expected_ends(parts, life.is_measured_well, then_d)
    early, likely, late = (
        np.where(life.is_measured_well, of_well[:, i], day)
        for i, day in enumerate((life.early_d, life.likely_d, life.late_d))
    )
    place = np.searchsorted(times.part_id, parts.part_id)
    out = shard.columns.units.is_out_of_service[parts.unit_row]
    return _Then(
        kind_row=_rows(times.kind_id[place], kind_rows),
        installed_d=parts.installed_at_d,
        early_d=early,
        likely_d=np.where(out, np.nan, likely),
        late_d=late,
        earlier_days=_earlier_days(times)[place],
    )


def _earlier_days(times: PartTimes) -> np.ndarray:
    """Return the time in place of the part of the same kind before each part, NaN where there was none."""
    order = np.lexsort((times.installed_d, times.position_id))
    before, after = order[:-1], order[1:]
    follows = (times.position_id[before] == times.position_id[after]) & (
        times.kind_id[before] == times.kind_id[after]
    )
    days = np.full(len(order), np.nan)
    stayed = (times.removed_d - times.installed_d)[before]
    days[after] = np.where(follows, stayed, np.nan)
    return days
