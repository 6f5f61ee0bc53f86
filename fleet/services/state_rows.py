"""From a shard's findings as columns to the rows of PartState and UnitState, and their bulk writes."""

from datetime import datetime

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
from fleet.services.days import to_local_dates, to_moment
from fleet.services.due_windows import due_windows

LIMITS = list(LimitName)
READINESS = {int(science.Readiness[state.name]): state.value for state in ReadinessState}
OWED = {int(science.OwedFlush[owed.name]): owed.value for owed in OwedFlush}
PATTERNS = {int(science.Pattern[pattern.name]): pattern.value for pattern in PatternName}
BATCH = 2000
_NUMBERS_OF_PART = ["seen_gal", "mean_chlorine_mg_l", "mean_hardness_mg_l", "chlorine_leak_mg_l", "ebct_min"]
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
    not_before_d, not_after_d = due_windows(parts, life, shard.part_cost)
    unit_row = parts.unit_row.tolist()
    zone_of = [zones[row] for row in unit_row]
    early = to_local_dates(life.early_d, zone_of, now_d)
    likely = to_local_dates(life.likely_d, zone_of, now_d)
    late = to_local_dates(life.late_d, zone_of, now_d)
    not_before = to_local_dates(not_before_d, zone_of, now_d)
    not_after = to_local_dates(not_after_d, zone_of, now_d)
    installed = to_local_dates(parts.installed_at_d, zone_of, now_d)
    due = [to_local_dates(life.due_d_by_limit[:, i], zone_of, now_d) for i in range(len(LIMITS))]
    rows = []
    for i, part_id in enumerate(parts.part_id.tolist()):
        u = unit_row[i]
        limits = {
            name.value: {
                "wear": _plain(life.wear_by_limit[i, j]),
                "wear_per_day": _plain(life.wear_per_day_by_limit[i, j], 7),
                "due_on": due[j][i].isoformat() if due[j][i] else None,
            }
            for j, name in enumerate(LIMITS)
            if not np.isnan(life.wear_by_limit[i, j])
        }
        numbers = {name: _plain(getattr(life, name)[i]) for name in _NUMBERS_OF_PART}
        numbers |= {
            "limits": limits,
            "installed_on": installed[i].isoformat() if installed[i] else None,
            "not_before_on": not_before[i].isoformat() if not_before[i] else None,
            "not_after_on": not_after[i].isoformat() if not_after[i] else None,
            "rated_gal": _plain(parts.rated_gal[i]),
            "rated_months": _plain(parts.rated_months[i]),
            "rating_chlorine_mg_l": _plain(parts.rating_chlorine_mg_l[i]),
            "rated_hardness_mg_l": _plain(parts.rated_hardness_mg_l[i]),
            "permeate_gal_per_day": _plain(use.permeate_gal_per_day[u]),
            "feed_gal_per_day": _plain(use.feed_gal_per_day[u]),
            "recovery": _plain(use.recovery[u]),
            "recovery_is_measured": bool(use.recovery_is_measured[u]),
            "is_design_duty": bool(use.is_design_duty[u]),
            "readings_used": int(use.readings_used[u]),
        }
        wear = _plain(life.wear[i])
        rows.append(
            PartState(
                part_id=part_id,
                treatment_unit_id=int(columns.units.unit_id[u]),
                wear=wear,
                governing=LIMITS[int(life.governing[i])].value if limits else "",
                early_on=early[i],
                likely_on=likely[i],
                late_on=late[i],
                numbers=numbers,
                assessed_at=now,
            )
        )
    return rows


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
    rows = []
    for i, unit_id in enumerate(columns.units.unit_id.tolist()):
        owed_row = int(ready.owed_part_row[i])
        numbers = {name: _plain(getattr(performance, name)[i], 6) for name in _NUMBERS_OF_PERFORMANCE}
        numbers |= {
            "readings_used": int(performance.readings_used[i]),
            "baseline_from": _iso(performance.baseline_from_d[i]),
            "baseline_to": _iso(performance.baseline_to_d[i]),
            "last_ran_at": _iso(use.last_ran_at_d[i]),
        }
        rows.append(
            UnitState(
                treatment_unit_id=unit_id,
                permeate_gal_per_day=_plain(use.permeate_gal_per_day[i]),
                spread_gal_per_sqrt_day=_plain(use.spread_gal_per_sqrt_day[i]),
                recovery=_plain(use.recovery[i]),
                recovery_is_measured=bool(use.recovery_is_measured[i]),
                is_design_duty=bool(use.is_design_duty[i]),
                readings_used=int(use.readings_used[i]),
                last_read_at=to_moment(use.last_read_at_d[i]),
                readiness=READINESS[int(ready.state[i])],
                owed_flush=OWED[int(ready.owed[i])],
                owed_part_id=int(columns.parts.part_id[owed_row]) if owed_row >= 0 else None,
                owed_since=to_moment(ready.owed_since_d[i]),
                flush_gal=_plain(ready.flush_gal[i]),
                flush_minutes=_plain(ready.flush_minutes[i]),
                flow_change=_plain(performance.flow_change[i]),
                passage_change=_plain(performance.passage_change[i]),
                drop_change=_plain(performance.drop_change[i]),
                raw_flow_change=_plain(performance.raw_flow_change[i]),
                normalised_flow_gpm=_plain(performance.normalised_flow_gpm[i]),
                salt_passage=_plain(performance.salt_passage[i]),
                crosses_limit_on=crosses[i],
                pattern=PATTERNS[int(performance.pattern[i])],
                is_decaying=bool(performance.is_alarm[i]),
                next_due_on=next_due.get(unit_id),
                worst_wear=worst.get(unit_id),
                numbers=numbers,
                assessed_at=now,
            )
        )
    return rows


def write_states(units: list[UnitState], parts: list[PartState], now: datetime) -> int:
    """Write the rows over the old ones and note each change of readiness. Returns how many changed."""
    unit_ids = [row.treatment_unit_id for row in units]
    was = dict(
        UnitState.objects.filter(treatment_unit_id__in=unit_ids).values_list("treatment_unit_id", "readiness")
    )
    _upsert(UnitState, units, "treatment_unit")
    _upsert(PartState, parts, "part")
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
    ReadinessChange.objects.bulk_create(changes, batch_size=BATCH)
    return len(changes)


def _upsert(model: type, rows: list, key: str) -> None:
    columns = [f.name for f in model._meta.concrete_fields if f.name != key]
    model.objects.bulk_create(
        rows, batch_size=BATCH, update_conflicts=True, unique_fields=[key], update_fields=columns
    )


def _plain(value: float, digits: int = 4) -> float | None:
    """A float fit for JSON and people: None for NaN and infinity, rounded."""
    number = float(value)
    return round(number, digits) if np.isfinite(number) else None


def _iso(day: float) -> str | None:
    moment = to_moment(day)
    return moment.isoformat() if moment else None
