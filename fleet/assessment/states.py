"""Notes beside a part's figures: what of them was learned from the fleet.

From a shard's findings as columns to the rows of PartState and UnitState.
"""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime

import numpy as np

from fleet.assessment.columns import Shard
from fleet.assessment.days import due_windows, to_local_days, to_moments
from fleet.assessment.stale_units import days_until_look
from fleet.assessment.use_rules import FleetRules
from fleet.database.bulk_write import StateTable, moment_for_all, rounded, words
from fleet.models import (
    LIMITS,
    OF_PART,
    OF_UNIT,
    OwedFlush,
    PartState,
    PatternName,
    ReadinessState,
    UnitState,
)
from fleet.science import columns as science
from fleet.science import found as science_found
from fleet.science.feed_water import newest_test_days


def what_was_learned(
    columns: science.ShardColumns, use: science_found.UnitUse, kinds: list[str], rules: FleetRules
) -> Iterator[tuple[int, dict]]:
    """Yield the row and the note of each part whose dates rest on anything the fleet taught.

    Parameters
    ----------
    columns : ShardColumns
    use : UnitUse
    kinds : list of text
        Kind of site of each treatment unit.
    rules : FleetRules
        What the assessment used.
    """
    of_fleet = _of_fleet(rules)
    of_unit = [of_fleet] * len(kinds)
    few = use.is_design_duty | (use.readings_used <= rules.settings.use.few_readings)
    for row in np.flatnonzero(few).tolist():
        lent = rules.like_sites.get(kinds[row])
        if lent:
            of_unit[row] = of_fleet | {"like_sites": {"kind": kinds[row], **lent}}
    lives = columns.parts.learned_life_gal.tolist()
    shapes = columns.parts.learned_life_shape.tolist()
    rows = zip(columns.parts.unit_row.tolist(), lives, shapes, strict=True)
    for i, (row, gal, shape) in enumerate(rows):
        note = of_unit[row]
        if gal == gal:
            note = note | {"life_gal": gal} | ({"life_shape": shape} if shape == shape else {})
        if note:
            yield i, note


def _of_fleet(rules: FleetRules) -> dict:
    clock, note = rules.settings.season, {}
    if not clock.has_even_months:
        note["months"] = list(clock.factor_by_month)
    if not clock.has_even_week:
        note["weekdays"] = list(clock.factor_by_weekday)
    if note and rules.learned_at:
        note["use_learned_on"] = rules.learned_at.date().isoformat()
    return note


READINESS = {int(science.Readiness[state.name]): state.value for state in ReadinessState}
OWED = {int(science.OwedFlush[owed.name]): owed.value for owed in OwedFlush}
PATTERNS = {int(science.Pattern[pattern.name]): pattern.value for pattern in PatternName}
_GOVERNING = dict(enumerate([*LIMITS, ""]))
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
    found: science_found.ShardFindings,
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
    count = len(parts.part_id)
    zone_of = [zones[row] for row in parts.unit_row.tolist()]

    def days(values: np.ndarray) -> np.ndarray:
        return to_local_days(values, zone_of, now_d)

    def of_unit(values: np.ndarray) -> np.ndarray:
        return values[parts.unit_row]

    not_before, not_after = map(days, due_windows(parts, life, shard.part_cost))
    applies = ~np.isnan(life.wear_by_limit)
    figures = (
        {name: rounded(getattr(life, name)) for name in _NUMBERS_OF_PART}
        | {
            "limits": _limits(life, applies, days),
            "installed_on": days(parts.installed_at_d),
            "not_before_on": not_before,
            "not_after_on": not_after,
            "last_read_on": of_unit(to_local_days(use.last_read_at_d, zones, now_d)),
            "feed_tested_on": of_unit(to_local_days(newest_test_days(columns), zones, now_d)),
        }
        | {name: rounded(getattr(parts, name)) for name in _RATINGS_OF_PART}
        | {"design_permeate_gpm": of_unit(rounded(columns.units.design_permeate_gpm))}
        | {name: of_unit(rounded(getattr(use, name))) for name in _NUMBERS_OF_USE}
        | {name: of_unit(getattr(use, name)) for name in _FACTS_OF_USE}
    )
    learned = what_was_learned(columns, use, kinds, rules)
    return StateTable(
        PartState,
        {
            "part_id": parts.part_id,
            "treatment_unit_id": of_unit(columns.units.unit_id),
            "wear": rounded(life.wear),
            "governing": words(_GOVERNING, np.where(applies.any(axis=1), life.governing, len(LIMITS))),
            "early_on": days(life.early_d),
            "likely_on": days(life.likely_d),
            "late_on": days(life.late_d),
            "assessed_at": moment_for_all(now, count),
        },
        OF_PART,
        OF_PART.pack(figures, count),
        {row: {"learned": note} for row, note in learned},
    )


def _limits(
    life: science_found.PartLife, applies: np.ndarray, days: Callable[[np.ndarray], np.ndarray]
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return, for each part and limit: whether it applies, wear, its growth by day, and due date."""
    due = np.full(applies.shape, np.datetime64("NaT", "D"))
    for j in np.flatnonzero(applies.any(axis=0)).tolist():
        due[:, j] = days(life.due_d_by_limit[:, j])
    return applies, rounded(life.wear_by_limit), rounded(life.wear_per_day_by_limit, 7), due


def unit_states(
    columns: science.ShardColumns,
    found: science_found.ShardFindings,
    parts: StateTable[PartState],
    zones: list[str],
    now: datetime,
    now_d: float,
) -> StateTable[UnitState]:
    """Return one unsaved UnitState per treatment unit."""
    use, ready, performance = found.use, found.readiness, found.performance
    count = len(columns.units.unit_id)
    figures = {name: rounded(getattr(performance, name), 6) for name in _NUMBERS_OF_PERFORMANCE} | {
        "readings_used": performance.readings_used,
        "baseline_from": to_moments(performance.baseline_from_d),
        "baseline_to": to_moments(performance.baseline_to_d),
        "last_ran_at": to_moments(use.last_ran_at_d),
    }
    next_due_on, worst_wear = _of_its_parts(columns.parts.unit_row, parts, count)
    # A last slot for row -1: no part.
    owed_part = np.append(columns.parts.part_id, -1)[ready.owed_part_row]
    ahead = days_until_look(columns, found, now_d).astype("timedelta64[D]")
    return StateTable(
        UnitState,
        {
            "treatment_unit_id": columns.units.unit_id,
            **{name: rounded(getattr(use, name)) for name in _USE_OF_UNIT},
            **{name: getattr(use, name) for name in _FACTS_OF_USE if name != "readings_used"},
            "readings_used": use.readings_used.astype(np.int32),
            "last_read_at": _us(to_moments(use.last_read_at_d)),
            "readiness": words(READINESS, ready.state),
            "owed_flush": words(OWED, ready.owed),
            "owed_part_id": np.ma.masked_less(owed_part, 0),
            "owed_since": _us(to_moments(ready.owed_since_d)),
            **{name: rounded(getattr(ready, name)) for name in ("flush_gal", "flush_minutes")},
            **{name: rounded(getattr(performance, name)) for name in _PERFORMANCE_OF_UNIT},
            "crosses_limit_on": to_local_days(performance.crosses_limit_d, zones, now_d),
            "pattern": words(PATTERNS, performance.pattern),
            "is_decaying": performance.is_alarm,
            "next_due_on": next_due_on,
            "worst_wear": worst_wear,
            "assessed_at": moment_for_all(now, count),
            "look_again_on": np.datetime64(now.astimezone(UTC).date(), "D") + ahead,
        },
        OF_UNIT,
        OF_UNIT.pack(figures, count),
    )


def _of_its_parts(
    unit_row: np.ndarray, parts: StateTable[PartState], count: int
) -> tuple[np.ndarray, np.ndarray]:
    """Return each treatment unit's earliest likely date and largest wear, at least 0, of its parts."""
    likely, wear = parts.columns["likely_on"], parts.columns["wear"]
    is_due, is_known = ~np.isnat(likely), ~np.isnan(wear)
    first = np.full(count, np.iinfo(np.int64).max)
    np.minimum.at(first, unit_row[is_due], likely[is_due].astype(np.int64))
    has_due = np.bincount(unit_row[is_due], minlength=count) > 0
    next_due_on = np.where(has_due, first.astype("datetime64[D]"), np.datetime64("NaT"))
    worst = np.full(count, np.nan)
    np.fmax.at(worst, unit_row[is_known], np.maximum(wear[is_known], 0.0))
    return next_due_on, worst


def _us(moments: np.ndarray) -> np.ndarray:
    return moments.astype("datetime64[us]")
