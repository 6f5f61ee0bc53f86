"""Bring standing findings in line with what assessment knows: new ones, stronger ones, gone ones."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np

from fleet.models import Finding, FindingKind, PartState, TreatmentUnit, UnitState, WebhookKind
from fleet.queries.columns import Shard
from fleet.science import columns as science
from fleet.services import outbox
from fleet.services.bulk_rows import add_rows, change_rows, write_over
from fleet.services.finding_columns import wanted_findings
from fleet.services.finding_rules import Candidate
from fleet.services.standing import is_stronger, read_standing
from fleet.services.state_table import StateTable

CLOCK_RAN_AHEAD: Final = "it was found by a clock that ran ahead"
_REWRITTEN: Final = ("strength", "not_before_on", "early_on", "likely_on", "late_on", "why", "numbers")


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
    standing = read_standing(units.columns["treatment_unit_id"].tolist(), now)
    is_wanted = np.zeros(len(standing.id), dtype=bool)
    fresh: dict[str, Candidate] = {}
    changed: dict[int, Candidate] = {}
    for wanted in wanted_findings(shard, found, units, parts, zones, standing, now):
        stands = wanted.standing_row >= 0
        old = wanted.standing_row[stands]
        is_wanted[old] = True
        to_write = ~stands
        to_write[stands] = standing.is_ahead[old] | is_stronger(
            standing.asked.rows(old), wanted.asked.rows(stands)
        )
        which = np.flatnonzero(to_write)
        for row, candidate in zip(which.tolist(), wanted.write(which), strict=True):
            if stands[row]:
                changed[int(standing.id[wanted.standing_row[row]])] = candidate
            else:
                fresh[candidate.cause_key] = candidate
    lost = Finding.objects.filter(pk__any_of=standing.id[~is_wanted].tolist()) if not is_wanted.all() else []
    in_place = set(parts.columns["part_id"].tolist())
    gone = [_end(one, in_place, now) for one in lost]
    dated = {"found_at": now, "changed_at": now}
    add_rows(Finding, [{**vars(one), **dated, "kind": str(one.kind)} for one in fresh.values()])
    _tell(list(fresh.values()), now)
    _rewrite(changed, now)
    write_over(gone, "id")
    return SyncCounts(len(fresh), len(changed), len(gone))


def _rewrite(changed: dict[int, Candidate], now: datetime) -> None:
    """Write findings anew over the standing ones of these ids."""
    rows = [{name: getattr(one, name) for name in _REWRITTEN} | {"id": pk} for pk, one in changed.items()]
    # One found as of a moment to come was found now.
    change_rows(Finding, rows, "id", same={"changed_at": now}, at_most={"found_at": now})


def _tell(fresh: list[Candidate], now: datetime) -> None:
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


def _end(finding: Finding, parts_in_place: set[int], now: datetime) -> Finding:
    was_ahead = finding.changed_at > now
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
