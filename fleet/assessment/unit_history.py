"""What happened to one treatment unit, as frames for charts and tables: wear, performance, use."""

from dataclasses import dataclass, fields, replace
from datetime import date, datetime, timedelta
from typing import Final

import numpy as np
import pandas as pd

from fleet.assessment.columns import MEMBRANE_NUMBERS, ROLE_NUMBERS, WATER_NUMBERS, read_shard
from fleet.assessment.use_rules import rules_at
from fleet.database.columns import UnitRange
from fleet.models import MeterWater, Part
from fleet.science import columns as science
from fleet.science import found as science_found
from fleet.science.assess import assess_shard
from fleet.science.settings import AssessmentSettings

MOMENTS: Final = 30
"""Points in time at which past wear is reckoned again: about two a month over the usual year."""
LONGEST_DAYS: Final = 3 * 365
MOST_INTERVALS: Final = 120
"""Denser meters are shown by this many even stretches."""
_EPOCH: Final = pd.Timestamp("1970-01-01", tz="UTC")


@dataclass(frozen=True)
class UnitHistory:
    """Frames of one treatment unit. Times are UTC moments; measures are the working ones."""

    wear: pd.DataFrame
    """``at``, ``position``, ``part_id``, ``kind``, ``wear``: each point from what was known by then."""
    changes: pd.DataFrame
    """``at``, ``position``, ``reason``: parts taken out."""
    performance: pd.DataFrame
    """``at``, ``normalised_flow_gpm``, ``raw_flow_gpm``, ``salt_passage``, ``normalised_drop_psi``,
    ``is_simple_form``."""
    use: pd.DataFrame
    """``from_at``, ``at``, ``gal_per_day``, ``fault`` (empty where none)."""
    use_water: str
    """Which water's meter ``use`` shows."""


def unit_history(unit_id: int, as_of: datetime) -> UnitHistory:
    """Return what happened to a treatment unit up to a moment. Ten queries.

    Past wear is reckoned by the same laws as today's, from the readings and tests known at each point.
    """
    now_d = (pd.Timestamp(as_of) - _EPOCH) / pd.Timedelta(days=1)
    columns = read_shard(UnitRange(only_ids=(unit_id,)), now_d).columns
    rows = list(
        Part.objects.filter(treatment_unit_id=unit_id, installed_at__lte=as_of)
        .select_related("kind", "position")
        .order_by("position__order", "installed_at", "id")
    )
    rules = rules_at(as_of).settings
    found = assess_shard(columns, now_d, rules)
    use, water = _use_frame(columns.readings, found.faults)
    return UnitHistory(
        wear=_wear_frame(columns, rows, now_d, rules),
        changes=_changes_frame(rows, as_of),
        performance=_performance_frame(found.series),
        use=use,
        use_water=water,
    )


def forecast_fan(wear: float | None, early: date | None, likely: date | None, late: date | None, today: date,
                 horizon_days: int = 540) -> pd.DataFrame:  # fmt: skip
    """Return how wear is expected to go on: ``on``, ``low``, ``likely``, ``high``, up to the limit.

    Straight from today's wear to the limit at the early, likely and late dates. Empty once the limit is
    passed, and where no end is in sight.
    """
    if wear is None or wear >= 1 or early is None or likely is None:
        return pd.DataFrame({"on": [], "low": [], "likely": [], "high": []})
    until = min(late or today + timedelta(days=horizon_days), today + timedelta(days=horizon_days))
    days = sorted({today, until} | {day for day in (early, likely) if today < day < until})
    return pd.DataFrame(
        {
            "on": days,
            "low": [_along(wear, late, day, today) for day in days],
            "likely": [_along(wear, likely, day, today) for day in days],
            "high": [_along(wear, early, day, today) for day in days],
        }
    )


def _along(wear: float, due: date | None, day: date, today: date) -> float:
    if due is None:
        return wear
    share = (day - today).days / max((due - today).days, 1)
    return float(min(wear + (1 - wear) * min(max(share, 0.0), 1.0), 1.0))


def _moments(days: np.ndarray) -> pd.Series:
    return (_EPOCH + pd.to_timedelta(days * 86400, unit="s")).to_series(index=range(len(days))).dt.round("s")


def _wear_frame(
    columns: science.ShardColumns, rows: list[Part], now_d: float, rules: AssessmentSettings
) -> pd.DataFrame:
    empty = pd.DataFrame({"at": [], "position": [], "part_id": [], "kind": [], "wear": []})
    if not rows:
        return empty
    installed = np.array([_days(row.installed_at) for row in rows])
    removed = np.array([_days(row.removed_at) if row.removed_at else np.inf for row in rows])
    first = max(installed.min(), now_d - LONGEST_DAYS)
    ends = removed[np.isfinite(removed) & (removed > first)] - 1 / 86400
    times = np.unique(
        np.concatenate([np.linspace(first, now_d, MOMENTS), ends, installed[installed > first]])
    )
    parts = _all_parts(rows)
    pieces = []
    for at in times:
        here = np.flatnonzero((installed <= at) & (at < removed))
        some = science.Parts(**{name: column[here] for name, column in vars(parts).items()})
        wear = assess_shard(replace(columns, parts=some), float(at), rules).life.wear
        pieces.append(pd.DataFrame({"row": here, "at_d": at, "wear": wear}))
    told = pd.concat(pieces, ignore_index=True).sort_values(["row", "at_d"], ignore_index=True)
    return pd.DataFrame(
        {
            "at": _moments(told["at_d"].to_numpy()),
            "position": [rows[row].position.code for row in told["row"]],
            "part_id": [rows[row].pk for row in told["row"]],
            "kind": [rows[row].kind.name for row in told["row"]],
            "wear": told["wear"],
        }
    )


def _all_parts(rows: list[Part]) -> science.Parts:
    """Return parts, those taken out too, as the science takes them."""
    given = {
        "part_id": [row.pk for row in rows],
        "unit_row": [0] * len(rows),
        "position_order": [row.position.order for row in rows],
        "role": [ROLE_NUMBERS[row.kind.role] for row in rows],
        "water": [WATER_NUMBERS[row.position.water] for row in rows],
        "installed_at_d": [_days(row.installed_at) for row in rows],
        "made_on_d": [np.nan if row.made_on is None else row.made_on.toordinal() - 719163 for row in rows],
        "membrane_type": [MEMBRANE_NUMBERS[row.kind.membrane_type] for row in rows],
    }
    columns = {}
    for column in fields(science.Parts):
        values = given.get(column.name)
        if values is None:
            values = [_rating(row, column.name) for row in rows]
        kind = {science.Ints: np.int64, science.Flags: np.bool_}.get(column.type, np.float64)
        columns[column.name] = np.array(values, dtype=kind)
    return science.Parts(**columns)


def _rating(row: Part, name: str) -> float | bool:
    value = getattr(row, name) if hasattr(row, name) else getattr(row.kind, name)
    return np.nan if value is None else value


def _days(moment: datetime) -> float:
    return (pd.Timestamp(moment) - _EPOCH) / pd.Timedelta(days=1)


def _changes_frame(rows: list[Part], as_of: datetime) -> pd.DataFrame:
    gone = [row for row in rows if row.removed_at and row.removed_at <= as_of]
    return pd.DataFrame(
        {
            "at": pd.to_datetime([row.removed_at for row in gone], utc=True),
            "position": [row.position.code for row in gone],
            "reason": [row.get_removal_reason_display() for row in gone],
        }
    )


def _performance_frame(series: science_found.PerformanceSeries) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "at": _moments(series.read_at_d),
            "normalised_flow_gpm": series.normalised_flow_gpm,
            "raw_flow_gpm": series.raw_flow_gpm,
            "salt_passage": series.salt_passage,
            "normalised_drop_psi": series.normalised_drop_psi,
            "is_simple_form": series.is_simple_form,
        }
    )


def _use_frame(
    readings: science.MeterReadings, faults: science_found.MeterFaults
) -> tuple[pd.DataFrame, str]:
    """Return use between readings of the permeate meter, else the feed meter, faults counted as mended."""
    for water in (MeterWater.PERMEATE, MeterWater.FEED, MeterWater.CONCENTRATE):
        rows = np.flatnonzero(readings.water == WATER_NUMBERS[water.value])
        if len(rows) >= 2:
            break
    else:
        return pd.DataFrame({"from_at": [], "at": [], "gal_per_day": [], "fault": []}), ""
    number = WATER_NUMBERS[water.value]
    at, total = readings.read_at_d[rows], readings.total_gal[rows]
    days = np.diff(at)
    gallons = np.diff(total)
    fault = np.zeros(len(days), dtype=np.int64)
    mine = np.flatnonzero(faults.water == number)
    place = np.searchsorted(at[1:], faults.read_at_d[mine])
    is_met = (place < len(days)) & (at[1:][np.minimum(place, len(days) - 1)] == faults.read_at_d[mine])
    gallons[place[is_met]] = faults.counted_gal[mine][is_met]
    fault[place[is_met]] = faults.fault[mine][is_met]
    is_swap = np.diff(readings.meter_id[rows]) != 0
    is_shown = (days > 0) & (~is_swap | (fault > 0))
    from_d, to_d, rate = at[:-1][is_shown], at[1:][is_shown], gallons[is_shown] / days[is_shown]
    names = np.array([_fault_word(code) for code in fault[is_shown]], dtype=object)
    if len(rate) > MOST_INTERVALS:
        from_d, to_d, rate, names = _thinned(from_d, to_d, rate, names)
    frame = pd.DataFrame(
        {"from_at": _moments(from_d), "at": _moments(to_d), "gal_per_day": rate, "fault": names}
    )
    return frame, water.label.lower()


def _thinned(from_d: np.ndarray, to_d: np.ndarray, rate: np.ndarray, names: np.ndarray) -> tuple:
    edges = np.linspace(from_d[0], to_d[-1], MOST_INTERVALS + 1)
    ends = np.concatenate([[from_d[0]], to_d])
    sums = np.concatenate([[0.0], np.cumsum(rate * (to_d - from_d))])
    even = np.diff(np.interp(edges, ends, sums)) / np.diff(edges)
    kept = np.full(MOST_INTERVALS, "", dtype=object)
    for at, name in zip(to_d, names, strict=True):
        if name:
            kept[min(np.searchsorted(edges[1:], at), MOST_INTERVALS - 1)] = name
    return edges[:-1], edges[1:], even, kept


def _fault_word(code: int) -> str:
    return "" if code == 0 else science.UseFault(code).name.replace("_", " ").lower()
