"""From a shard's findings as columns to the rows of PartState and UnitState, and their bulk writes."""

from collections.abc import Callable
from datetime import date, datetime
from math import isfinite

import numpy as np

from fleet.models import (
    LimitName,
    OwedFlush,
    PartState,
    PatternName,
    ReadinessChange,
    ReadinessState,
    UnitState,
)
from fleet.queries.columns import Shard
from fleet.science import columns as science
from fleet.science.newest_tests import newest_test_days
from fleet.services.bulk_rows import write_over
from fleet.services.days import to_local_dates, to_moment
from fleet.services.due_windows import due_windows

LIMITS = list(LimitName)
READINESS = {int(science.Readiness[state.name]): state.value for state in ReadinessState}
OWED = {int(science.OwedFlush[owed.name]): owed.value for owed in OwedFlush}
PATTERNS = {int(science.Pattern[pattern.name]): pattern.value for pattern in PatternName}
_NUMBERS_OF_PART = [
    "seen_gal", "mean_chlorine_mg_l", "mean_hardness_mg_l", "chlorine_leak_mg_l", "ebct_min",
    "membrane_life_lost_per_week",
]  # fmt: skip
_RATINGS_OF_PART = [
    "rated_gal", "rated_months", "rating_chlorine_mg_l", "rated_hardness_mg_l", "hardness_capacity_grains",
    "oxidant_tolerance_mg_h_l",
]  # fmt: skip
_NUMBERS_OF_USE = ["permeate_gal_per_day", "feed_gal_per_day", "recovery"]
_FACTS_OF_USE = ["recovery_is_measured", "is_design_duty", "readings_used"]
_USE_OF_UNIT = ["permeate_gal_per_day", "spread_gal_per_sqrt_day", "recovery"]
_PERFORMANCE_OF_UNIT = [
    "flow_change", "passage_change", "drop_change", "raw_flow_change", "normalised_flow_gpm", "salt_passage",
]  # fmt: skip
_NUMBERS_OF_PERFORMANCE = [
    "normalised_flow_gpm", "baseline_flow_gpm", "flow_change", "salt_passage", "baseline_salt_passage",
    "passage_change", "drop_change", "raw_flow_change", "flow_slope_per_day",
]  # fmt: skip


def part_states(
    shard: Shard, found: science.ShardFindings, zones: list[str], now: datetime, now_d: float
) -> list[PartState]:
    """Return one unsaved PartState per part in place, with every number that led to it."""
    columns = shard.columns
    parts, life, use = columns.parts, found.life, found.use
    unit_row = parts.unit_row.tolist()
    zone_of = [zones[row] for row in unit_row]

    def dates(days: np.ndarray) -> list[date | None]:
        return to_local_dates(days, zone_of, now_d)

    not_before, not_after = map(dates, due_windows(parts, life, shard.part_cost))
    early, likely, late = dates(life.early_d), dates(life.likely_d), dates(life.late_d)
    limits = _limits(life, dates)
    wear, governing = _plains(life.wear), life.governing.tolist()
    unit_ids = columns.units.unit_id[parts.unit_row].tolist()
    numbers = _rows_of(
        {name: _plains(getattr(life, name)) for name in _NUMBERS_OF_PART}
        | {
            "limits": limits,
            "installed_on": _isos(dates(parts.installed_at_d)),
            "not_before_on": _isos(not_before),
            "not_after_on": _isos(not_after),
            "last_read_on": _isos(dates(use.last_read_at_d[parts.unit_row])),
            "feed_tested_on": _isos(dates(newest_test_days(columns)[parts.unit_row])),
        }
        | {name: _plains(getattr(parts, name)) for name in _RATINGS_OF_PART}
        | {"design_permeate_gpm": _plains(columns.units.design_permeate_gpm[parts.unit_row])}
        | {name: _plains(getattr(use, name)[parts.unit_row]) for name in _NUMBERS_OF_USE}
        | {name: getattr(use, name)[parts.unit_row].tolist() for name in _FACTS_OF_USE}
    )
    return [
        PartState(
            part_id=part_id,
            treatment_unit_id=unit_ids[i],
            wear=wear[i],
            governing=LIMITS[governing[i]].value if limits[i] else "",
            early_on=early[i],
            likely_on=likely[i],
            late_on=late[i],
            numbers=numbers[i],
            assessed_at=now,
        )
        for i, part_id in enumerate(parts.part_id.tolist())
    ]


def _limits(
    life: science.PartLife, dates: Callable[[np.ndarray], list[date | None]]
) -> list[dict[str, dict]]:
    """Return, for each part, wear and due date by each limit that applies to it."""
    limits: list[dict[str, dict]] = [{} for _ in life.wear]
    for j, name in enumerate(LIMITS):
        column = life.wear_by_limit[:, j]
        wear, per_day = _plains(column), _plains(life.wear_per_day_by_limit[:, j], 7)
        due = _isos(dates(life.due_d_by_limit[:, j]))
        for i in np.flatnonzero(~np.isnan(column)).tolist():
            limits[i][name.value] = {"wear": wear[i], "wear_per_day": per_day[i], "due_on": due[i]}
    return limits


def unit_states(
    columns: science.ShardColumns,
    found: science.ShardFindings,
    parts: list[PartState],
    zones: list[str],
    now: datetime,
    now_d: float,
) -> list[UnitState]:
    """Return one unsaved UnitState per treatment unit."""
    use, ready, performance = found.use, found.readiness, found.performance
    crosses = to_local_dates(performance.crosses_limit_d, zones, now_d)
    next_due: dict[int, object] = {}
    worst: dict[int, float] = {}
    for state in parts:
        if state.likely_on:
            earlier = next_due.get(state.treatment_unit_id)
            if earlier is None or state.likely_on < earlier:
                next_due[state.treatment_unit_id] = state.likely_on
        if state.wear is not None:
            worst[state.treatment_unit_id] = max(worst.get(state.treatment_unit_id, 0.0), state.wear)
    # A last slot for row -1: no part.
    owed_part = np.append(columns.parts.part_id, -1)[ready.owed_part_row].tolist()
    numbers = _rows_of(
        {name: _plains(getattr(performance, name), 6) for name in _NUMBERS_OF_PERFORMANCE}
        | {
            "readings_used": performance.readings_used.tolist(),
            "baseline_from": _moments_iso(performance.baseline_from_d),
            "baseline_to": _moments_iso(performance.baseline_to_d),
            "last_ran_at": _moments_iso(use.last_ran_at_d),
        }
    )
    plain = {name: _plains(getattr(use, name)) for name in _USE_OF_UNIT}
    plain |= {name: getattr(use, name).tolist() for name in _FACTS_OF_USE}
    plain |= {name: _plains(getattr(ready, name)) for name in ("flush_gal", "flush_minutes")}
    plain |= {name: _plains(getattr(performance, name)) for name in _PERFORMANCE_OF_UNIT}
    of_unit = _rows_of(plain)
    readiness, owed = ready.state.tolist(), ready.owed.tolist()
    pattern, is_alarm = performance.pattern.tolist(), performance.is_alarm.tolist()
    last_read, owed_since = use.last_read_at_d.tolist(), ready.owed_since_d.tolist()
    return [
        UnitState(
            treatment_unit_id=unit_id,
            last_read_at=to_moment(last_read[i]),
            readiness=READINESS[readiness[i]],
            owed_flush=OWED[owed[i]],
            owed_part_id=owed_part[i] if owed_part[i] >= 0 else None,
            owed_since=to_moment(owed_since[i]),
            crosses_limit_on=crosses[i],
            pattern=PATTERNS[pattern[i]],
            is_decaying=is_alarm[i],
            next_due_on=next_due.get(unit_id),
            worst_wear=worst.get(unit_id),
            numbers=numbers[i],
            assessed_at=now,
            **of_unit[i],
        )
        for i, unit_id in enumerate(columns.units.unit_id.tolist())
    ]


def write_states(units: list[UnitState], parts: list[PartState], now: datetime) -> int:
    """Write the rows over the old ones and note each change of readiness. Returns how many changed."""
    unit_ids = [row.treatment_unit_id for row in units]
    was = dict(
        UnitState.objects.filter(treatment_unit_id__in=unit_ids).values_list("treatment_unit_id", "readiness")
    )
    write_over(units, "treatment_unit")
    write_over(parts, "part")
    kept = {row.part_id for row in parts}
    had = PartState.objects.filter(treatment_unit_id__in=unit_ids).values_list("part_id", flat=True)
    PartState.objects.filter(part_id__in=[part_id for part_id in had if part_id not in kept]).delete()
    changes = [
        ReadinessChange(
            treatment_unit_id=row.treatment_unit_id,
            changed_at=now,
            was=was.get(row.treatment_unit_id, ""),
            became=row.readiness,
            because=row.get_owed_flush_display() if row.owed_flush else "",
        )
        for row in units
        if was.get(row.treatment_unit_id) != row.readiness
    ]
    ReadinessChange.objects.bulk_create(changes, batch_size=2000)
    return len(changes)


def _plains(values: np.ndarray, digits: int = 4) -> list[float | None]:
    """Floats fit for JSON and people: None for NaN and infinity, rounded."""
    return [round(value, digits) if isfinite(value) else None for value in values.tolist()]


def _rows_of(columns: dict[str, list]) -> list[dict]:
    """Turn named columns into one dict per row."""
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def _isos(days: list[date | None]) -> list[str | None]:
    return [day.isoformat() if day else None for day in days]


def _moments_iso(days: np.ndarray) -> list[str | None]:
    return [moment.isoformat() if (moment := to_moment(day)) else None for day in days.tolist()]
