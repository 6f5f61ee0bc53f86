"""From a shard's findings as columns to the rows of PartState and UnitState, and into their tables."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import numpy as np

from fleet.assessment.columns import Shard
from fleet.assessment.days import to_local_days, to_moments
from fleet.assessment.due_windows import due_windows
from fleet.assessment.membrane_care import CHOICES, EXPECTED, MembraneCare, membrane_care
from fleet.assessment.use_rules import FleetRules
from fleet.database.bulk_write import write_rows
from fleet.models import (
    LimitName,
    OwedFlush,
    PartState,
    PatternName,
    ReadinessChange,
    ReadinessState,
    UnitState,
)
from fleet.science import columns as science
from fleet.science import found as science_found
from fleet.science.feed_water import newest_test_days
from shared.translation import label_of

LIMITS = LimitName.values
READINESS = {int(science.Readiness[state.name]): state.value for state in ReadinessState}
OWED = {int(science.OwedFlush[owed.name]): owed.value for owed in OwedFlush}
PATTERNS = {int(science.Pattern[pattern.name]): pattern.value for pattern in PatternName}
_GOVERNING = dict(enumerate([*LIMITS, ""]))
_NUMBERS_OF_PART = [
    "seen_gal", "mean_chlorine_mg_l", "mean_hardness_mg_l", "chlorine_leak_mg_l", "ebct_min",
    "membrane_life_lost_per_week", "end_share", "fresh_leak_mg_l",
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


@dataclass(frozen=True)
class StateTable:
    """The states of one table, column by column.

    ``columns`` are arrays by attribute name: floats with NaN, days and moments with NaT, whole numbers masked
    where unknown, words as text. ``numbers`` are the figures behind each row.
    """

    columns: dict[str, np.ndarray]
    numbers: list[dict[str, Any]]
    care: MembraneCare | None = None
    """Of parts: what is advised about membranes, and when to read their gauges."""

    def __len__(self) -> int:
        return len(self.numbers)

    def rows(self, which: np.ndarray) -> list[SimpleNamespace]:
        """Return some rows with their cells by name."""
        cells = zip(*(to_python(column[which]) for column in self.columns.values()), strict=True)
        return [
            SimpleNamespace(**dict(zip(self.columns, row, strict=True)), numbers=self.numbers[i])
            for i, row in zip(which.tolist(), cells, strict=True)
        ]

    def plain_columns(self) -> dict[str, list]:
        """Return every column as plain values."""
        return {name: to_python(column) for name, column in self.columns.items()} | {"numbers": self.numbers}


def to_python(column: np.ndarray) -> list[Any]:
    """Return a column as plain values: None for what is unknown, moments in UTC."""
    if column.dtype.kind == "f":
        return [None if value != value else value for value in column.tolist()]
    if column.dtype.kind == "M" and column.dtype != "datetime64[D]":
        return [value and value.replace(tzinfo=UTC) for value in column.tolist()]
    return column.tolist()


def rounded(values: np.ndarray, digits: int = 4) -> np.ndarray:
    """Floats fit for people: rounded, NaN for what is not finite."""
    return np.where(np.isfinite(values), np.round(values, digits), np.nan)


def words(by_code: Mapping[int, str], codes: np.ndarray) -> np.ndarray:
    """Return the word of each code."""
    return np.array([by_code.get(code, "") for code in range(max(by_code) + 1)])[codes]


def _as_text(column: np.ndarray) -> list[str | None]:
    """Return days or moments as JSON has them."""
    if column.dtype == "datetime64[D]":
        return [None if day == "NaT" else day for day in np.datetime_as_string(column).tolist()]
    return [value and value.isoformat() for value in to_python(column)]


def _as_dicts(figures: Mapping[str, np.ndarray | list]) -> list[dict[str, Any]]:
    """Return columns of figures as one dict a row, fit for JSON."""
    plain = [
        column if isinstance(column, list) else (_as_text if column.dtype.kind == "M" else to_python)(column)
        for column in figures.values()
    ]
    return [dict(zip(figures, row, strict=True)) for row in zip(*plain, strict=True)]


def write_states(units: StateTable, parts: StateTable, now: datetime) -> int:
    """Write the rows over the old ones and note each change of readiness. Returns how many changed."""
    unit_ids = units.columns["treatment_unit_id"].tolist()
    before = UnitState.objects.filter(treatment_unit__pk__any_of=unit_ids)
    was = dict(before.values_list("treatment_unit_id", "readiness"))
    write_rows(UnitState, units.plain_columns(), "treatment_unit")
    write_rows(PartState, parts.plain_columns(), "part")
    of_units = PartState.objects.filter(treatment_unit__pk__any_of=unit_ids)
    lost = set(of_units.values_list("part_id", flat=True)) - set(parts.columns["part_id"].tolist())
    if lost:
        PartState.objects.filter(part__pk__any_of=lost).delete()
    now_ready, owed_flush = (units.columns[name].tolist() for name in ("readiness", "owed_flush"))
    changes = [
        ReadinessChange(
            treatment_unit_id=unit_id,
            changed_at=now,
            was=was.get(unit_id, ""),
            became=readiness,
            because=label_of(OwedFlush, owed) if owed else "",
        )
        for unit_id, readiness, owed in zip(unit_ids, now_ready, owed_flush, strict=True)
        if was.get(unit_id) != readiness
    ]
    ReadinessChange.objects.bulk_create(changes, batch_size=2000)
    return len(changes)


def part_states(
    shard: Shard,
    found: science_found.ShardFindings,
    rules: FleetRules,
    zones: list[str],
    kinds: list[str],
    now: datetime,
    now_d: float,
) -> StateTable:
    """Return the state of each part in place, with every number that led to it.

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
    care = membrane_care(parts, found, shard.part_cost, now_d)
    figures = (
        {name: rounded(getattr(life, name)) for name in _NUMBERS_OF_PART}
        | {
            "limits": _limits(life, days),
            "is_tested": life.is_tested,
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
    numbers = _as_dicts(figures)
    for row, told in (*_choices(care, days), *_expected(care, days)):
        numbers[row] |= told
    care = replace(care, check_on=days(care.check_d), read_on=days(care.read_d))
    for row, note in _what_was_learned(columns, use, kinds, rules):
        numbers[row]["learned"] = note
    has_limit = ~np.isnan(life.wear_by_limit).all(axis=1)
    return StateTable(
        {
            "part_id": parts.part_id,
            "treatment_unit_id": of_unit(columns.units.unit_id),
            "wear": rounded(life.wear),
            "governing": words(_GOVERNING, np.where(has_limit, life.governing, len(LIMITS))),
            "early_on": days(life.early_d),
            "likely_on": days(life.likely_d),
            "late_on": days(life.late_d),
            "assessed_at": np.full(count, now, dtype=object),
        },
        numbers,
        care,
    )


def _choices(
    care: MembraneCare, days: Callable[[np.ndarray], np.ndarray]
) -> Iterator[tuple[int, dict[str, Any]]]:
    """Yield row and figures of each failing membrane: what leaving, cleaning and replacing cost and gain."""
    until = [_as_text(days(column)) for column in care.lasts_until_d.T]
    for row in np.flatnonzero(care.advice).tolist():
        choices = {
            name: {"cost": round(cost, 2), "lasts_until_on": until[j][row]}
            for j, (name, cost) in enumerate(zip(CHOICES, care.cost[row].tolist(), strict=True))
            if cost == cost
        }
        yield row, {"advice": care.word(row), "choices": choices}


def _expected(
    care: MembraneCare, days: Callable[[np.ndarray], np.ndarray]
) -> Iterator[tuple[int, dict[str, Any]]]:
    """Yield row and expected end of each membrane that is well."""
    ends = [_as_text(days(column)) for column in care.expected_d.T]
    for row in np.flatnonzero(np.isfinite(care.expected_d).all(axis=1)).tolist():
        yield row, {"expected": {name: days_[row] for name, days_ in zip(EXPECTED, ends, strict=True)}}


def _limits(life: science_found.PartLife, days: Callable[[np.ndarray], np.ndarray]) -> list[dict[str, dict]]:
    """Return, for each part, wear, its growth by day, and due date by each limit that applies."""
    limits: list[dict[str, dict]] = [{} for _ in range(len(life.wear))]
    for j, name in enumerate(LIMITS):
        rows = np.flatnonzero(~np.isnan(life.wear_by_limit[:, j]))
        wear = to_python(rounded(life.wear_by_limit[:, j])[rows])
        growth = to_python(rounded(life.wear_per_day_by_limit[:, j], 7)[rows])
        due = _as_text(days(life.due_d_by_limit[:, j])[rows])
        for row, *figures in zip(rows.tolist(), wear, growth, due, strict=True):
            limits[row][name] = dict(zip(("wear", "wear_per_day", "due_on"), figures, strict=True))
    return limits


def unit_states(
    columns: science.ShardColumns,
    found: science_found.ShardFindings,
    parts: StateTable,
    zones: list[str],
    now: datetime,
    now_d: float,
) -> StateTable:
    """Return the state of each treatment unit."""
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
    return StateTable(
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
            "assessed_at": np.full(count, now, dtype=object),
        },
        _as_dicts(figures),
    )


def _of_its_parts(unit_row: np.ndarray, parts: StateTable, count: int) -> tuple[np.ndarray, np.ndarray]:
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


def _what_was_learned(
    columns: science.ShardColumns, use: science_found.UnitUse, kinds: list[str], rules: FleetRules
) -> Iterator[tuple[int, dict]]:
    """Yield the row and the note of each part whose dates rest on anything the fleet taught."""
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
