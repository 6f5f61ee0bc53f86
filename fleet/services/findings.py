"""Bring standing findings in line with what assessment knows: new ones, stronger ones, gone ones."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

import numpy as np
from django.db.models import Min

from fleet.models import Finding, FindingKind, Part, PartState, TreatmentUnit, UnitState, WebhookKind
from fleet.queries.columns import Shard
from fleet.science import columns as science
from fleet.science.newest_tests import newest_test_days
from fleet.services import finding_rules as rules
from fleet.services import outbox
from fleet.services.bulk_rows import write_over
from fleet.services.days import to_days, to_local_dates
from fleet.services.state_table import StateTable
from shared.periods import local_day

FAULT_WINDOW_DAYS: Final = 45
"""A doubtful meter is looked at within this many days."""
FAULT_WORDS: Final = {
    science.UseFault.SWAP: "the register jumped as if the meter had been swapped",
    science.UseFault.REVERSED: "the register ran backwards",
    science.UseFault.STUCK: "the register stood still while the site should use water",
    science.UseFault.MEASURE_SLIP: "a reading looks as if taken in another measure",
    science.UseFault.OUTLIER: "one reading stands far off and the next is back in line",
}
CLOCK_RAN_AHEAD: Final = "it was found by a clock that ran ahead"
BATCH: Final = 2000


@dataclass(frozen=True)
class SyncCounts:
    """How many findings were new, changed and gone."""

    found: int
    changed: int
    gone: int


def sync_findings(
    shard: Shard,
    found: science.ShardFindings,
    units: StateTable[UnitState],
    parts: StateTable[PartState],
    zones: list[str],
    now: datetime,
) -> SyncCounts:
    """Write the difference between what stands and what should stand, once per cause."""
    standing = _standing(units.columns["treatment_unit_id"])
    known = {key: old for key, old in standing.items() if not _is_ahead(old, now)}
    wanted: dict[str, rules.Candidate] = {}
    as_it_was: set[str] = set()
    for one in _candidates(shard, found, units, parts, zones, known, now):
        if isinstance(one, str):
            as_it_was.add(one)
        elif one is not None:
            wanted[one.cause_key] = one
    fresh = [_new(c, now) for key, c in wanted.items() if key not in standing]
    stronger = [
        key
        for key in wanted
        if key in standing
        and (_is_ahead(standing[key], now) or rules.is_stronger(standing[key], wanted[key]))
    ]
    lost = [key for key in standing if key not in wanted and key not in as_it_was]
    whole = Finding.objects.in_bulk([standing[key].pk for key in (*stronger, *lost)])
    in_place = set(parts.columns["part_id"])
    changed = [_rewrite(whole[standing[key].pk], wanted[key], now) for key in stronger]
    gone = [_end(whole[standing[key].pk], in_place, now) for key in lost]
    Finding.objects.bulk_create(fresh, batch_size=BATCH, ignore_conflicts=True)
    _tell(fresh, now)
    write_over(changed, "id")
    write_over(gone, "id")
    return SyncCounts(len(fresh), len(changed), len(gone))


@dataclass(frozen=True, slots=True)
class _Standing(rules.Asked):
    """A standing finding without its long columns; they are read only of those that change."""

    pk: int
    changed_at: datetime


def _standing(unit_ids: list[int]) -> dict[str, _Standing]:
    """Return what stands for these treatment units by cause."""
    rows = Finding.objects.filter(treatment_unit__pk__any_of=unit_ids, gone_at__isnull=True).values_list(
        "cause_key", "strength", "early_on", "likely_on", "late_on", "pk", "changed_at"
    )
    return {cause_key: _Standing(*rest) for cause_key, *rest in rows.order_by()}


def _candidates(shard, found, units, parts, zones, standing, now):
    """Yield every finding the rules want now, or only the cause of one that stands and is as it was.

    Objects are made only of rows that may matter.
    """
    day_in = {zone: local_day(now, zone) for zone in set(zones)}
    today = [day_in[zone] for zone in zones]
    unit_row = shard.columns.parts.unit_row.tolist()
    part_rows = []
    for i in _parts_that_matter(units, parts, unit_row, today):
        cause = rules.change_cause(parts.columns["part_id"][i])
        # What stands may stay up to the very day that makes a part matter.
        if cause in standing and not rules.is_stronger(standing[cause], _asked(parts, i, today[unit_row[i]])):
            yield cause
        else:
            part_rows.append(i)
    part_names = _part_names([parts.columns["part_id"][i] for i in part_rows])
    for i in part_rows:
        part = parts.row(i)
        yield rules.change_due(part, part_names[part.part_id], today[unit_row[i]], standing)
    newest_on = to_local_dates(newest_test_days(shard.columns), zones, to_days(now))
    unit_rows = _units_that_matter(units, newest_on, today)
    facts = _unit_facts(shard, {*unit_rows, *found.faults.unit_row.tolist()}, newest_on)
    membranes = _membrane_ids(shard.columns)
    for i in unit_rows:
        state, day = units.row(i), today[i]
        yield rules.reflush_required(state, day)
        yield rules.performance_decay(state, membranes.get(i), day)
        yield rules.reading_wanted(state, facts[i], day)
        yield rules.feed_test_due(state, facts[i], day)
    yield from _meter_faults(shard, found, facts, zones, now)


def _asked(parts: StateTable[PartState], i: int, today: date) -> rules.Asked:
    columns = parts.columns
    return rules.change_asked(
        columns["wear"][i],
        columns["early_on"][i],
        columns["likely_on"][i],
        columns["late_on"][i],
        parts.beside["not_after_on"][i],
        today,
    )


def _parts_that_matter(units, parts, unit_row, today):
    """Return the rows of parts in working treatment units that ``change_due`` may want."""
    ahead = timedelta(days=rules.CHANGE_AHEAD_DAYS + rules.KEEP_DAYS)
    until = [day + ahead for day in today]
    works = [readiness != "out_of_service" for readiness in units.columns["readiness"]]
    columns = zip(parts.columns["early_on"], parts.columns["wear"], unit_row, strict=True)
    return [
        i
        for i, (early, wear, row) in enumerate(columns)
        if works[row] and ((early is not None and early <= until[row]) or (wear is not None and wear >= 1))
    ]


def _units_that_matter(units, newest_on, today):
    """Return the rows of treatment units that a rule for treatment units may want."""
    silent, stale = timedelta(days=rules.SILENT_DAYS), timedelta(days=rules.FEED_TEST_DAYS)
    names = ("owed_flush", "is_decaying", "last_read_at")
    columns = zip(*(units.columns[name] for name in names), newest_on, today, strict=True)
    return [
        i
        for i, (owed, is_decaying, read_at, tested_on, day) in enumerate(columns)
        if owed or is_decaying or read_at is None or day - read_at.date() > silent
        or tested_on is None or day - tested_on > stale
    ]  # fmt: skip


def _meter_faults(shard, found, facts, zones, now):
    """Yield one candidate per treatment unit and water whose meter misbehaved lately; the newest counts."""
    faults = found.faults
    recent = faults.read_at_d >= to_days(now) - rules.FAULT_MEMORY_DAYS
    newest: dict[tuple[int, int], int] = {}
    for i in np.flatnonzero(recent).tolist():
        if science.UseFault(int(faults.fault[i])) in FAULT_WORDS:
            newest[int(faults.unit_row[i]), int(faults.water[i])] = i
    for (row, water), i in newest.items():
        fault = science.UseFault(int(faults.fault[i]))
        (read_on,) = to_local_dates(faults.read_at_d[i : i + 1], [zones[row]], to_days(now))
        day = local_day(now, zones[row])
        unit_id = int(shard.columns.units.unit_id[row])
        raw, counted = float(faults.raw_gal[i]), float(faults.counted_gal[i])
        yield rules.Candidate(
            kind=FindingKind.METER_FAULT,
            cause_key=f"meter_fault:unit:{unit_id}:{science.Water(water).name.lower()}",
            treatment_unit_id=unit_id,
            method="register",
            why=(
                f"Meter of {facts[row].serial}: {FAULT_WORDS[fault]} on {read_on:%d %b %Y} "
                f"(the register moved by {raw:+,.0f} gal, counted {counted:,.0f} gal)."
            ),
            strength=0.5,
            not_before_on=day,
            early_on=read_on,
            likely_on=read_on,
            late_on=day + timedelta(days=FAULT_WINDOW_DAYS),
            numbers={"fault": fault.name.lower(), "raw_gal": raw, "counted_gal": counted},
        )


def _unit_facts(shard: Shard, rows: set[int], newest_on: list[date | None]) -> dict[int, rules.UnitFacts]:
    """Return what the rules need to know beside the state, for these rows of treatment units."""
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
        )
        for row in rows
    }


def _membrane_ids(columns: science.ShardColumns) -> dict[int, int]:
    """Return the newest membrane's part id by unit row."""
    parts = columns.parts
    rows = np.flatnonzero(parts.role == science.PartRole.MEMBRANE)
    rows = rows[np.argsort(parts.installed_at_d[rows], kind="stable")]
    return dict(zip(parts.unit_row[rows].tolist(), parts.part_id[rows].tolist(), strict=True))


def _part_names(part_ids: list[int]) -> dict[int, str]:
    rows = Part.objects.filter(id__any_of=part_ids).values_list("id", "position__code", "kind__name")
    return {part_id: f"{kind} in {position}" for part_id, position, kind in rows}


def _is_ahead(finding: _Standing | Finding, now: datetime) -> bool:
    """Say whether a finding was written as of a moment to come, by a clock that ran ahead."""
    return finding.changed_at > now


def _new(candidate: rules.Candidate, now: datetime) -> Finding:
    return Finding(**candidate.__dict__, found_at=now, changed_at=now)


def _tell(fresh: list[Finding], now: datetime) -> None:
    """Tell other programs of new findings."""
    if not fresh or not outbox.listeners(WebhookKind.FINDING_RAISED):
        return
    units = TreatmentUnit.objects.select_related("site").in_bulk({one.treatment_unit_id for one in fresh})
    outbox.announce(
        WebhookKind.FINDING_RAISED,
        (
            outbox.Told(
                units[one.treatment_unit_id].site.branch_id,
                {
                    "cause_key": one.cause_key,
                    "kind": one.kind,
                    "treatment_unit_serial": units[one.treatment_unit_id].serial,
                    "site_code": units[one.treatment_unit_id].site.code,
                    "why": one.why,
                    "likely_on": one.likely_on.isoformat() if one.likely_on else None,
                },
            )
            for one in fresh
        ),
        now=now,
    )


def _rewrite(finding: Finding, candidate: rules.Candidate, now: datetime) -> Finding:
    for name in ("strength", "not_before_on", "early_on", "likely_on", "late_on", "why", "numbers"):
        setattr(finding, name, getattr(candidate, name))
    finding.found_at = min(finding.found_at, now)
    finding.changed_at = now
    return finding


def _end(finding: Finding, parts_in_place: set[int], now: datetime) -> Finding:
    was_ahead = _is_ahead(finding, now)
    finding.gone_at = finding.changed_at = now
    finding.gone_because = CLOCK_RAN_AHEAD if was_ahead else _why_gone(finding, parts_in_place)
    return finding


def _why_gone(finding: Finding, parts_in_place: set[int]) -> str:
    if finding.part_id and finding.part_id not in parts_in_place:
        return "the part is no longer in place"
    return {
        FindingKind.CHANGE_DUE: "newer readings put the due date further away",
        FindingKind.REFLUSH_REQUIRED: "a flush that ran clear was recorded",
        FindingKind.PERFORMANCE_DECAY: "normalised performance is back in line with its baseline",
        FindingKind.METER_FAULT: "no new fault for 60 days",
        FindingKind.READING_WANTED: "a reading came in",
        FindingKind.FEED_TEST_DUE: "a feed test came in",
    }[FindingKind(finding.kind)]
