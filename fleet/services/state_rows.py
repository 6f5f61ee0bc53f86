"""From a shard's findings as columns to the rows of PartState and UnitState."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

import numpy as np
import orjson

from fleet.models import (
    LimitName,
    OwedFlush,
    PartState,
    PatternName,
    ReadinessState,
    UnitState,
)
from fleet.queries.columns import Shard
from fleet.queries.use_rules import FleetRules
from fleet.science import columns as science
from fleet.science.newest_tests import newest_test_days
from fleet.services.days import to_local_dates, to_moment
from fleet.services.due_windows import due_windows
from fleet.services.learned_notes import what_was_learned
from fleet.services.look_again import days_until_look
from fleet.services.state_table import StateTable, plains, rounded, rows_of

LIMITS = [limit.value for limit in LimitName]
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
    shard: Shard,
    found: science.ShardFindings,
    rules: FleetRules,
    zones: list[str],
    kinds: list[str],
    now: datetime,
    now_d: float,
) -> StateTable[PartState]:
    """Return one unsaved PartState per part in place, with every number that led to it.

    ``shard``, ``found`` and ``rules`` are of one assessment; ``zones`` and ``kinds`` are time zone and
    kind of site of each treatment unit.
    """
    columns = shard.columns
    parts, life, use = columns.parts, found.life, found.use
    unit_row = parts.unit_row.tolist()
    zone_of = [zones[row] for row in unit_row]

    def dates(days: np.ndarray) -> list[date | None]:
        return to_local_dates(days, zone_of, now_d)

    def of_unit(values: np.ndarray) -> list:
        return values[parts.unit_row].tolist()

    not_before, not_after = map(dates, due_windows(parts, life, shard.part_cost))
    limits = _limits(life, dates)
    last_read_on = to_local_dates(use.last_read_at_d, zones, now_d)
    tested_on = to_local_dates(newest_test_days(columns), zones, now_d)
    numbers = rows_of(
        {name: rounded(getattr(life, name)).tolist() for name in _NUMBERS_OF_PART}
        | {
            "limits": limits,
            "installed_on": dates(parts.installed_at_d),
            "not_before_on": not_before,
            "not_after_on": not_after,
            "last_read_on": [last_read_on[row] for row in unit_row],
            "feed_tested_on": [tested_on[row] for row in unit_row],
        }
        | {name: rounded(getattr(parts, name)).tolist() for name in _RATINGS_OF_PART}
        | {"design_permeate_gpm": of_unit(rounded(columns.units.design_permeate_gpm))}
        | {name: of_unit(rounded(getattr(use, name))) for name in _NUMBERS_OF_USE}
        | {name: of_unit(getattr(use, name)) for name in _FACTS_OF_USE}
    )
    learned = dict(what_was_learned(columns, use, kinds, rules))
    governing = zip(life.governing.tolist(), limits, strict=True)
    return StateTable(
        PartState,
        {
            "part_id": parts.part_id.tolist(),
            "treatment_unit_id": of_unit(columns.units.unit_id),
            "wear": plains(life.wear),
            "governing": [LIMITS[limit] if some else "" for limit, some in governing],
            "early_on": dates(life.early_d),
            "likely_on": dates(life.likely_d),
            "late_on": dates(life.late_d),
            "assessed_at": [now] * len(unit_row),
        },
        [
            orjson.dumps(row | {"learned": learned[i]} if i in learned else row)
            for i, row in enumerate(numbers)
        ],
        {"not_after_on": not_after},
    )


def _limits(
    life: science.PartLife, dates: Callable[[np.ndarray], list[date | None]]
) -> list[dict[str, dict]]:
    """Return, for each part, wear and due date by each limit that applies to it."""
    limits: list[dict[str, dict]] = [{} for _ in life.wear]
    for j, name in enumerate(LIMITS):
        column = life.wear_by_limit[:, j]
        rows = np.flatnonzero(~np.isnan(column))
        if not len(rows):
            continue
        wear, per_day = rounded(column).tolist(), rounded(life.wear_per_day_by_limit[:, j], 7).tolist()
        due = dates(life.due_d_by_limit[:, j])
        for i in rows.tolist():
            limits[i][name] = {"wear": wear[i], "wear_per_day": per_day[i], "due_on": due[i]}
    return limits


def unit_states(
    columns: science.ShardColumns,
    found: science.ShardFindings,
    parts: StateTable[PartState],
    zones: list[str],
    now: datetime,
    now_d: float,
) -> StateTable[UnitState]:
    """Return one unsaved UnitState per treatment unit."""
    use, ready, performance = found.use, found.readiness, found.performance
    next_due: dict[int, date] = {}
    worst: dict[int, float] = {}
    dues = zip(*(parts.columns[name] for name in ("treatment_unit_id", "likely_on", "wear")), strict=True)
    for unit_id, likely_on, wear in dues:
        if likely_on is not None and (unit_id not in next_due or likely_on < next_due[unit_id]):
            next_due[unit_id] = likely_on
        if wear is not None:
            worst[unit_id] = max(worst.get(unit_id, 0.0), wear)
    numbers = rows_of(
        {name: rounded(getattr(performance, name), 6).tolist() for name in _NUMBERS_OF_PERFORMANCE}
        | {
            "readings_used": performance.readings_used.tolist(),
            "baseline_from": _moments_iso(performance.baseline_from_d),
            "baseline_to": _moments_iso(performance.baseline_to_d),
            "last_ran_at": _moments_iso(use.last_ran_at_d),
        }
    )
    # A last slot for row -1: no part.
    owed_part = np.append(columns.parts.part_id, -1)[ready.owed_part_row].tolist()
    unit_ids = columns.units.unit_id.tolist()
    return StateTable(
        UnitState,
        {
            "treatment_unit_id": unit_ids,
            **{name: plains(getattr(use, name)) for name in _USE_OF_UNIT},
            **{name: getattr(use, name).tolist() for name in _FACTS_OF_USE},
            "last_read_at": list(map(to_moment, use.last_read_at_d.tolist())),
            "readiness": [READINESS[state] for state in ready.state.tolist()],
            "owed_flush": [OWED[owed] for owed in ready.owed.tolist()],
            "owed_part_id": [part_id if part_id >= 0 else None for part_id in owed_part],
            "owed_since": list(map(to_moment, ready.owed_since_d.tolist())),
            **{name: plains(getattr(ready, name)) for name in ("flush_gal", "flush_minutes")},
            **{name: plains(getattr(performance, name)) for name in _PERFORMANCE_OF_UNIT},
            "crosses_limit_on": to_local_dates(performance.crosses_limit_d, zones, now_d),
            "pattern": [PATTERNS[pattern] for pattern in performance.pattern.tolist()],
            "is_decaying": performance.is_alarm.tolist(),
            "next_due_on": list(map(next_due.get, unit_ids)),
            "worst_wear": list(map(worst.get, unit_ids)),
            "assessed_at": [now] * len(unit_ids),
            "look_again_on": [
                now.astimezone(UTC).date() + timedelta(days=days)
                for days in days_until_look(columns, found, now_d).tolist()
            ],
        },
        list(map(orjson.dumps, numbers)),
    )


def _moments_iso(days: np.ndarray) -> list[str | None]:
    return [moment.isoformat() if (moment := to_moment(day)) else None for day in days.tolist()]
