"""Which findings the rules want of a shard, column by column; words only of rows to be written."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

import numpy as np
from django.db.models import Min

from fleet.assessment import finding_rules as rules
from fleet.assessment.columns import Shard
from fleet.assessment.days import to_days, to_local_days
from fleet.assessment.open_findings import FindingDates, OpenFindings, dates_of
from fleet.assessment.states import StateTable
from fleet.models import FindingKind, Part, ReadinessState, TreatmentUnit
from fleet.science import columns as science
from fleet.science import found as science_found
from fleet.science.feed_water import newest_test_days
from fleet.science.membranes import Advice
from shared.messages import message
from shared.periods import local_day

FAULT_WINDOW_DAYS: Final = 45
"""A doubtful meter is looked at within this many days."""
FAULT_WORDS: Final = {
    science.UseFault.SWAP: message("the register jumped as if the meter had been swapped"),
    science.UseFault.REVERSED: message("the register ran backwards"),
    science.UseFault.STUCK: message("the register stood still while the site should use water"),
    science.UseFault.MEASURE_SLIP: message("a reading looks as if taken in another measure"),
    science.UseFault.OUTLIER: message("one reading stands far off and the next is back in line"),
}


@dataclass(frozen=True)
class DesiredFindings:
    """Findings of one sort that should be open. ``write`` makes those of some rows."""

    causes: list[str]
    dates: FindingDates
    open_row: np.ndarray
    """In what is open; -1 for a new one."""
    write: Callable[[np.ndarray], list[rules.Candidate]]


def desired_findings(
    shard: Shard,
    found: science_found.ShardFindings,
    units: StateTable,
    parts: StateTable,
    zones: list[str],
    before: OpenFindings,
    now: datetime,
) -> Iterator[DesiredFindings]:
    """Yield all that should be open as of ``now``, each cause once."""
    day_in = {zone: np.datetime64(local_day(now, zone), "D") for zone in set(zones)}
    today = np.array([day_in[zone] for zone in zones], dtype="datetime64[D]")
    unit_row, role = shard.columns.parts.unit_row, shard.columns.parts.role
    changes = _changes(units, parts, unit_row, role == science.PartRole.MEMBRANE, today, before)
    yield changes
    checks = _checks(units, parts, unit_row, today)
    owed_on = to_local_days(found.readiness.owed_since_d, zones, to_days(now))
    yield _reflushes(units, owed_on, today, before)
    single = [*checks, *_singles(shard, found, units, parts, zones, today, now, set(changes.causes))]
    causes = [one.cause_key for one in single]
    yield DesiredFindings(
        causes, dates_of(single), before.rows(causes), lambda rows: [single[row] for row in rows]
    )


def _changes(
    units: StateTable,
    parts: StateTable,
    unit_row: np.ndarray,
    is_membrane: np.ndarray,
    today_of_unit: np.ndarray,
    before: OpenFindings,
) -> DesiredFindings:
    """Ask for a change when the early date is near, or wear has reached its limit.

    Not of a membrane that is measured, unless replacing it is what is advised; a change once asked for stays
    asked for while leaving it a little longer is, so that readings near the line don't bring and take orders.
    """
    today, early, wear = today_of_unit[unit_row], parts.columns["early_on"], parts.columns["wear"]
    works = (units.columns["readiness"] != ReadinessState.OUT_OF_SERVICE)[unit_row]
    is_worn = wear >= 1
    ahead = np.timedelta64(rules.CHANGE_AHEAD_DAYS, "D")
    keep = np.timedelta64(rules.KEEP_DAYS, "D")
    works &= ~parts.care.is_held | (parts.care.advice == Advice.LEAVE)
    rows = np.flatnonzero(works & (is_worn | (early <= today + ahead + keep)))
    part_ids = parts.columns["part_id"]
    open_row = before.rows(list(map(rules.change_cause, part_ids[rows].tolist())))
    stands = open_row >= 0
    stands[stands] = ~before.is_ahead[open_row[stands]]
    is_due = is_worn[rows] | (early[rows] <= today[rows] + ahead)
    is_due = stands | (is_due & ~parts.care.is_held[rows])
    rows, open_row = rows[is_due], open_row[is_due]
    today = today[rows]
    early, likely, late = (parts.columns[name][rows] for name in ("early_on", "likely_on", "late_on"))
    likely = _or(likely, today)
    dates = FindingDates(
        strength=np.minimum(np.nan_to_num(wear[rows]), rules.STRONGEST),
        early_on=np.minimum(_or(early, likely), likely),
        likely_on=likely,
        late_on=np.maximum(_or(late, likely), likely),
    )

    def write(which: np.ndarray) -> list[rules.Candidate]:
        names = _part_names(part_ids[rows[which]].tolist())
        seen = zip(
            parts.rows(rows[which]),
            dates.rows(which).by_row(),
            is_membrane[rows[which]].tolist(),
            strict=True,
        )
        return [
            rules.change_due(part, names[part.part_id], by_name, is_membrane=membrane)
            for part, by_name, membrane in seen
        ]

    return DesiredFindings(list(map(rules.change_cause, part_ids[rows].tolist())), dates, open_row, write)


def _checks(
    units: StateTable,
    parts: StateTable,
    unit_row: np.ndarray,
    today_of_unit: np.ndarray,
) -> list[rules.Candidate]:
    """Ask for a look at gauges of membranes that are well and old, and for a test behind beds too small."""
    today, read_on = today_of_unit[unit_row], parts.care.read_on
    works = (units.columns["readiness"] != ReadinessState.OUT_OF_SERVICE)[unit_row]
    ahead = np.timedelta64(rules.CHANGE_AHEAD_DAYS, "D")
    is_old = parts.care.check_on <= today + ahead
    is_stale = today - read_on > np.timedelta64(rules.CHECK_DAYS, "D")
    rows = np.flatnonzero(works & is_old & is_stale)
    short = np.flatnonzero(works & parts.care.is_short)
    names = _part_names(parts.columns["part_id"][np.concatenate([rows, short])].tolist())
    seen = zip(parts.rows(rows), read_on[rows].tolist(), today[rows].tolist(), strict=True)
    beds = zip(parts.rows(short), today[short].tolist(), strict=True)
    return [
        *(rules.membrane_check(part, names[part.part_id], read, day) for part, read, day in seen),
        *(rules.contact_too_short(part, names[part.part_id], day) for part, day in beds),
    ]


def _reflushes(
    units: StateTable, owed_on: np.ndarray, today_of_unit: np.ndarray, before: OpenFindings
) -> DesiredFindings:
    """Ask for a flush that readiness says is owed."""
    columns = units.columns
    waits = np.isin(columns["readiness"], [ReadinessState.FLUSH_OWED, ReadinessState.BEDDING])
    rows = np.flatnonzero(waits & (columns["owed_flush"] != ""))
    today = today_of_unit[rows]
    since = _or(owed_on[rows], today)
    window = np.timedelta64(rules.REFLUSH_WINDOW_DAYS, "D")
    dates = FindingDates(
        strength=1.0 + np.minimum((today - since).astype(np.int64), 365) / 365,
        early_on=since,
        likely_on=since,
        late_on=since + window,
    )
    owed = zip(
        *(columns[name][rows].tolist() for name in ("treatment_unit_id", "owed_flush", "owed_part_id")),
        strict=True,
    )
    causes = [rules.reflush_cause(*one) for one in owed]

    def write(which: np.ndarray) -> list[rules.Candidate]:
        seen = zip(units.rows(rows[which]), dates.rows(which).by_row(), today[which].tolist(), strict=True)
        return [rules.reflush_required(*one) for one in seen]

    return DesiredFindings(causes, dates, before.rows(causes), write)


def _or(days: np.ndarray, others: np.ndarray) -> np.ndarray:
    return np.where(np.isnat(days), others, days)


def _singles(
    shard: Shard,
    found: science_found.ShardFindings,
    units: StateTable,
    parts: StateTable,
    zones: list[str],
    today: np.ndarray,
    now: datetime,
    changes: set[str],
) -> Iterator[rules.Candidate]:
    """Yield what is seldom enough to be made one by one.

    A membrane whose change is asked for (``changes``, by cause) is not asked to be looked at as well.
    """
    newest_on = to_local_days(newest_test_days(shard.columns), zones, to_days(now))
    read_on = to_local_days(found.use.last_read_at_d, zones, to_days(now))
    rows = _units_that_matter(units, newest_on, read_on, today)
    faults = _newest_faults(found.faults, now)
    facts = _unit_facts(
        shard, {*rows, *(row for row, _water in faults)}, newest_on.astype(object), read_on.astype(object)
    )
    membranes = _membranes(shard.columns, parts) if rows else {}
    for i, state, day in zip(
        rows, units.rows(np.array(rows, dtype=np.int64)), today[rows].tolist(), strict=True
    ):
        part_id, care = membranes.get(i, (None, {}))
        is_changed = part_id is not None and rules.change_cause(part_id) in changes
        several = (
            None if is_changed else rules.performance_decay(state, part_id, care, day),
            rules.reading_wanted(state, facts[i], day),
            rules.feed_test_due(state, facts[i], day),
        )
        yield from (one for one in several if one is not None)
    for (row, water), i in faults.items():
        unit_id = int(shard.columns.units.unit_id[row])
        yield _meter_fault(found.faults, i, unit_id, water, facts[row].serial, zones[row], now)


def _units_that_matter(
    units: StateTable, newest_on: np.ndarray, read_on: np.ndarray, today: np.ndarray
) -> list[int]:
    """Return the rows of treatment units that a rule for single ones may want."""
    # Not “longer ago than”: what never was has no date, and every comparison with none is False.
    is_read = today - read_on <= np.timedelta64(rules.SILENT_DAYS, "D")
    is_tested = today - newest_on <= np.timedelta64(rules.FEED_TEST_DAYS, "D")
    return np.flatnonzero(units.columns["is_decaying"] | ~is_read | ~is_tested).tolist()


def _newest_faults(faults: science_found.MeterFaults, now: datetime) -> dict[tuple[int, int], int]:
    """Return the row of the newest fault lately of each treatment unit's row and water."""
    recent = np.flatnonzero(faults.read_at_d >= to_days(now) - rules.FAULT_MEMORY_DAYS).tolist()
    return {
        (int(faults.unit_row[i]), int(faults.water[i])): i
        for i in recent
        if science.UseFault(int(faults.fault[i])) in FAULT_WORDS
    }


def _meter_fault(
    faults: science_found.MeterFaults, i: int, unit_id: int, water: int, serial: str, zone: str, now: datetime
) -> rules.Candidate:
    """Ask for a look at a meter that misbehaved lately."""
    fault = science.UseFault(int(faults.fault[i]))
    read_on: date = to_local_days(faults.read_at_d[i : i + 1], [zone], to_days(now)).item()
    day = local_day(now, zone)
    raw, counted = float(faults.raw_gal[i]), float(faults.counted_gal[i])
    return rules.Candidate(
        kind=FindingKind.METER_FAULT,
        cause_key=f"meter_fault:unit:{unit_id}:{science.Water(water).name.lower()}",
        treatment_unit_id=unit_id,
        method="register",
        why=(
            message(
                "Meter of {serial}: {fault_words} on {read_on:%d %b %Y} (the register "
                "moved by {raw:+,.0f} gal, counted {counted:,.0f} gal).",
                serial=serial,
                fault_words=FAULT_WORDS[fault],
                read_on=read_on,
                raw=raw,
                counted=counted,
            )
        ),
        strength=0.5,
        not_before_on=day,
        early_on=read_on,
        likely_on=read_on,
        late_on=day + timedelta(days=FAULT_WINDOW_DAYS),
        numbers={"fault": fault.name.lower(), "raw_gal": raw, "counted_gal": counted},
    )


def _unit_facts(
    shard: Shard, rows: set[int], newest_on: np.ndarray, read_on: np.ndarray
) -> dict[int, rules.UnitFacts]:
    """Return what the rules need to know beside the state, for these rows of treatment units."""
    if not rows:
        return {}
    unit_ids, site_ids = shard.columns.units.unit_id.tolist(), shard.site_id.tolist()
    first_at_site = dict(
        TreatmentUnit.objects.filter(site__pk__any_of={site_ids[row] for row in rows})
        .values("site_id")
        .annotate(first=Min("id"))
        .values_list("site_id", "first")
    )
    serials = dict(
        TreatmentUnit.objects.filter(id__any_of=[unit_ids[row] for row in rows]).values_list("id", "serial")
    )
    return {
        row: rules.UnitFacts(
            serial=serials[unit_ids[row]],
            site_id=site_ids[row],
            is_first_at_site=first_at_site[site_ids[row]] == unit_ids[row],
            last_test_on=newest_on[row],
            last_read_on=read_on[row],
        )
        for row in rows
    }


def _membranes(columns: science.ShardColumns, states: StateTable) -> dict[int, tuple[int, dict]]:
    """Return the newest membrane's part id, and advice and choices about it, by unit row."""
    parts = columns.parts
    rows = np.flatnonzero(parts.role == science.PartRole.MEMBRANE)
    rows = rows[np.argsort(parts.installed_at_d[rows], kind="stable")]
    return {
        int(parts.unit_row[row]): (
            int(parts.part_id[row]),
            {
                name: states.numbers[row][name]
                for name in ("advice", "choices")
                if name in states.numbers[row]
            },
        )
        for row in rows.tolist()
    }


def _part_names(part_ids: list[int]) -> dict[int, str]:
    if not part_ids:
        return {}
    rows = Part.objects.filter(id__any_of=part_ids).values_list("id", "position__code", "kind__name")
    return {
        part_id: message("{kind} in {position}", kind=kind, position=position)
        for part_id, position, kind in rows
    }
