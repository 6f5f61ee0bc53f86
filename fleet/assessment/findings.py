"""Bring open findings in line with what assessment knows: new ones, stronger ones, gone ones."""

from collections import defaultdict
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final

import numpy as np
from django.db.models import QuerySet

from fleet.assessment.columns import Shard
from fleet.assessment.desired_findings import desired_findings
from fleet.assessment.finding_rules import change_cause
from fleet.assessment.open_findings import is_stronger, read_open
from fleet.assessment.states import StateTable
from fleet.database.bulk_write import write_rows
from fleet.models import (
    Finding,
    FindingKind,
    TreatmentUnit,
    WebhookKind,
)
from fleet.science import found as science
from fleet.webhooks import outbox
from shared.messages import message

CLOCK_RAN_AHEAD: Final = message("it was found by a clock that ran ahead")


@dataclass(frozen=True)
class SyncCounts:
    """How many findings were new, changed and gone."""

    found: int
    changed: int
    gone: int


def sync_findings(
    shard: Shard,
    found: science.ShardFindings,
    units: StateTable,
    parts: StateTable,
    zones: list[str],
    now: datetime,
    *,
    anew: bool = False,
) -> SyncCounts:
    """Write the difference between what is open and what should be, once per cause.

    What stands holds on a while, and small moves are left alone; not so ``anew``, after a correction.
    """
    before = read_open(units.columns["treatment_unit_id"].tolist(), now)
    if anew:
        # As with a clock that ran ahead: what is open may have been found from what never was.
        before = replace(before, is_ahead=np.ones_like(before.is_ahead))
    is_desired = np.zeros(len(before.id), dtype=bool)
    fresh: dict[str, dict[str, Any]] = {}
    changed: list[dict[str, Any]] = []
    asked: set[str] = set()
    for desired in desired_findings(shard, found, units, parts, zones, before, now):
        asked.update(desired.causes)
        is_open = desired.open_row >= 0
        old = desired.open_row[is_open]
        is_desired[old] = True
        to_write = ~is_open
        to_write[is_open] = before.is_ahead[old] | is_stronger(
            before.dates.rows(old), desired.dates.rows(is_open)
        )
        which = np.flatnonzero(to_write)
        for row, candidate in zip(desired.open_row[which].tolist(), desired.write(which), strict=True):
            cells = {**vars(candidate), "kind": str(candidate.kind), "method_version": 1, "changed_at": now}
            if row < 0:
                fresh[candidate.cause_key] = cells | {"found_at": now}
            else:
                changed.append(cells | {"id": int(before.id[row])})
    gone = _end(before.id[~is_desired].tolist(), set(parts.columns["part_id"].tolist()), asked, now)
    write_rows(Finding, _by_column(list(fresh.values())))
    _tell(list(fresh.values()), now)
    found_at = dict(_of([one["id"] for one in changed]).values_list("id", "found_at"))
    for one in changed:
        # One found as of a moment to come was found now.
        one["found_at"] = min(found_at[one["id"]], now)
    write_rows(Finding, _by_column(changed), "id")
    return SyncCounts(len(fresh), len(changed), gone)


def _of(ids: list[int]) -> QuerySet[Finding]:
    return Finding.objects.filter(pk__any_of=ids)


def _by_column(rows: list[dict[str, Any]]) -> dict[str, list]:
    return {name: [row[name] for row in rows] for name in rows[0]} if rows else {}


def _tell(fresh: list[dict[str, Any]], now: datetime) -> None:
    """Tell other programs of new findings."""
    if not fresh or not outbox.listeners(WebhookKind.FINDING_RAISED):
        return
    units = TreatmentUnit.objects.select_related("site").in_bulk({one["treatment_unit_id"] for one in fresh})
    outbox.publish(
        WebhookKind.FINDING_RAISED,
        (
            outbox.OutboxEvent(
                units[one["treatment_unit_id"]].site.branch_id,
                {
                    "cause_key": one["cause_key"],
                    "kind": one["kind"],
                    "treatment_unit_serial": units[one["treatment_unit_id"]].serial,
                    "site_code": units[one["treatment_unit_id"]].site.code,
                    "why": one["why"],
                    "likely_on": one["likely_on"].isoformat() if one["likely_on"] else None,
                },
            )
            for one in fresh
        ),
        now=now,
    )


def _end(ids: list[int], parts_in_place: set[int], asked: set[str], now: datetime) -> int:
    """End findings, each with its reason; how many."""
    because = defaultdict(list)
    for finding in _of(ids).only("kind", "part_id", "changed_at"):
        was_ahead = finding.changed_at > now
        reason = CLOCK_RAN_AHEAD if was_ahead else _why_gone(finding, parts_in_place, asked)
        because[reason].append(finding.pk)
    for reason, ended in because.items():
        _of(ended).update(gone_at=now, changed_at=now, gone_because=reason)
    return len(ids)


def _why_gone(finding: Finding, parts_in_place: set[int], asked: set[str]) -> str:
    if finding.part_id and finding.part_id not in parts_in_place:
        return message("the part is no longer in place")
    if finding.kind == FindingKind.PERFORMANCE_DECAY and change_cause(finding.part_id or 0) in asked:
        return message("its change is asked for instead")
    return {
        FindingKind.CHANGE_DUE: message("newer readings put the due date further away"),
        FindingKind.REFLUSH_REQUIRED: message("a flush that ran clear was recorded"),
        FindingKind.PERFORMANCE_DECAY: message("normalised performance is back in line with its baseline"),
        FindingKind.METER_FAULT: message("no new fault for 60 days"),
        FindingKind.READING_WANTED: message("a reading came in"),
        FindingKind.FEED_TEST_DUE: message("a feed test came in"),
        FindingKind.CONTACT_TOO_SHORT: message("the bed is long enough for its water, or a test showed it"),
    }[FindingKind(finding.kind)]
