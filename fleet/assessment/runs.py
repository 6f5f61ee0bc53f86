"""Assess the fleet, shard by shard. Every shard may run twice, die half-way, or run beside another.

Work in processes of its own, so that a measurement's memory and time are that work's alone.
"""

import multiprocessing
import resource
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from multiprocessing.connection import Connection
from typing import Final

from django.db import IntegrityError, connections, transaction
from django.db.models import F, Q

from fleet.assessment import findings, states
from fleet.assessment.columns import read_shard
from fleet.assessment.days import to_days
from fleet.assessment.replay import sites_of
from fleet.assessment.stale_flags import consume_flags, stale_units
from fleet.assessment.use_rules import rules_at
from fleet.database.columns import UnitRange, ranges_of
from fleet.models import AssessmentRun, AssessmentShard, ShardState, TreatmentUnit, UnitState
from fleet.science.assess import assess_shard

CLAIM_LASTS: Final = timedelta(minutes=15)
"""A claimed shard not finished by then was lost with its worker and may be claimed again."""
CLOCKS_DIFFER: Final = timedelta(minutes=5)
"""Machines' clocks may differ by so much without one being wrong."""
DEFAULT_SHARD_SIZE: Final = 2500
"""Treatment units in one shard: about a second's work, and a worker stays well under 500 MiB."""


@dataclass(frozen=True)
class AssessmentCounts:
    """What one shard, or a whole run, came to."""

    units: int = 0
    parts: int = 0
    found: int = 0
    changed: int = 0
    gone: int = 0
    readiness_changes: int = 0

    def plus(self, other: "AssessmentCounts") -> "AssessmentCounts":
        """Return the sum of two counts."""
        return AssessmentCounts(**{k: getattr(self, k) + getattr(other, k) for k in self.__dict__})


def assess_units(unit_ids: list[int], now: datetime, *, anew: bool = False) -> AssessmentCounts:
    """Assess just these treatment units, e.g. after a close-out; ``anew`` after a correction."""
    if not unit_ids:
        return AssessmentCounts()
    return _assess(UnitRange(only_ids=tuple(unit_ids)), now, now, anew=anew)


def assess_stale(now: datetime, shard_size: int = DEFAULT_SHARD_SIZE) -> AssessmentCounts:
    """Assess the treatment units of which something was recorded since, e.g. within a minute of a reading."""
    ids, total = stale_units(now), AssessmentCounts()
    for i in range(0, len(ids), shard_size):
        which = UnitRange(only_ids=ids[i : i + shard_size])
        total = total.plus(_assess(which, now, now, only_stale=True))
    return total


def assess_fleet(
    now: datetime,
    shard_size: int = DEFAULT_SHARD_SIZE,
    on_progress: Callable[[int, int], None] | None = None,
) -> AssessmentRun:
    """Assess the fleet here and now, one shard after the other."""
    run = start_run(now, shard_size)
    shard_ids = list(run.shards.values_list("id", flat=True))
    for done, shard_id in enumerate(shard_ids, start=1):
        assess_claimed(shard_id, now)
        if on_progress:
            on_progress(done, len(shard_ids))
    run.refresh_from_db()
    return run


@transaction.atomic
def start_run(
    now: datetime, shard_size: int = DEFAULT_SHARD_SIZE, *, night_on: date | None = None
) -> AssessmentRun:
    """Cut the fleet into shards of treatment units by id and write them down as waiting."""
    run = AssessmentRun.objects.create(started_at=now, as_of=now, night_on=night_on)
    ids = list(TreatmentUnit.objects.order_by("id").values_list("id", flat=True))
    AssessmentShard.objects.bulk_create(
        AssessmentShard(run=run, first_unit_id=which.first_id, last_unit_id=which.last_id)
        for which in ranges_of(ids, shard_size)
    )
    if not ids:
        AssessmentRun.objects.filter(pk=run.pk).update(finished_at=now)
    return run


CLOCKS_DIFFER: Final = timedelta(minutes=10)
"""Between machines; what began later than that by this clock began by a clock that ran ahead."""


def start_night(now: datetime, night_on: date, shard_size: int) -> AssessmentRun | None:
    """Begin the run of a night; None when it was begun before.

    The database keeps one run a night, so two timetables at the same moment begin one. A night that a clock
    which ran ahead has begun gives its day back, so that the true one comes.
    """
    AssessmentRun.objects.filter(night_on__gte=night_on, started_at__gt=now + CLOCKS_DIFFER).update(
        night_on=None
    )
    if AssessmentRun.objects.filter(night_on=night_on).exists():
        return None
    try:
        return start_run(now, shard_size, night_on=night_on)
    except IntegrityError:
        return None


def assess_claimed(shard_id: int, now: datetime) -> bool:
    """Claim a shard and assess it; False when another worker holds it or it is done.

    The shard is assessed as of its run's moment, so that a repeat gives the same rows.
    """
    claimed = AssessmentShard.objects.filter(_claimable(now), pk=shard_id).update(
        state=ShardState.CLAIMED, claimed_at=now, attempts=F("attempts") + 1
    )
    if not claimed:
        return False
    shard = AssessmentShard.objects.select_related("run").get(pk=shard_id)
    with transaction.atomic():
        which = UnitRange(shard.first_unit_id, shard.last_unit_id)
        counts = _assess(which, shard.run.as_of, now)
        AssessmentShard.objects.filter(pk=shard_id).update(
            state=ShardState.DONE, done_at=now, counts=counts.__dict__
        )
    finish_run(shard.run_id, now)
    return True


def finish_run(run_id: int, now: datetime) -> bool:
    """Mark a run finished when its last shard is; True when it is finished."""
    shards = AssessmentShard.objects.filter(run_id=run_id)
    if shards.exclude(state=ShardState.DONE).exists():
        return False
    total = AssessmentCounts()
    for counts in shards.values_list("counts", flat=True):
        total = total.plus(AssessmentCounts(**counts))
    AssessmentRun.objects.filter(pk=run_id, finished_at__isnull=True).update(
        finished_at=now, counts=total.__dict__
    )
    return True


def waiting_shards(now: datetime) -> list[int]:
    """Return shards of unfinished runs that nobody is working on, oldest first."""
    open_runs = AssessmentShard.objects.filter(_claimable(now), run__finished_at__isnull=True)
    return list(open_runs.order_by("run_id", "first_unit_id").values_list("id", flat=True))


def finish_runs_left_open(now: datetime) -> int:
    """Finish runs whose last worker was lost after its shard was written and before it could say so."""
    open_runs = AssessmentRun.objects.filter(finished_at__isnull=True, shards__isnull=False).distinct()
    return sum(finish_run(run_id, now) for run_id in open_runs.values_list("pk", flat=True))


def _claimable(now: datetime) -> Q:
    """Find shards to be had: not begun, or claimed too long ago, or claimed by a clock that ran ahead."""
    is_lost = Q(claimed_at__lt=now - CLAIM_LASTS) | Q(claimed_at__gt=now + CLAIM_LASTS)
    return Q(state=ShardState.WAITING) | (Q(state=ShardState.CLAIMED) & is_lost)


def _assess(
    which: UnitRange, now: datetime, clock: datetime, *, only_stale: bool = False, anew: bool = False
) -> AssessmentCounts:
    """Read, compute and write one shard in one transaction, as of ``now``; ``clock`` is what it is now."""
    now_d = to_days(now)
    with transaction.atomic():
        held = _held(which, now, clock)
        rules = rules_at(now)
        if only_stale:
            # Another worker may have taken them in while this one waited.
            ids = stale_units(now, held)
            if not ids:
                return AssessmentCounts()
            held = UnitRange(only_ids=ids)
        # Before anything is read: a flag that comes later stays for the next assessment.
        consume_flags(held, now)
        shard = read_shard(held, now_d)
        zones, kinds = sites_of(shard)
        columns = replace(shard.columns, units=rules.lend(shard.columns.units, kinds))
        found = assess_shard(columns, now_d, rules.settings)
        parts = states.part_states(shard, found, rules, zones, kinds, now, now_d)
        units = states.unit_states(shard.columns, found, parts, zones, now, now_d)
        readiness_changes = states.write_states(units, parts, now)
        raised = findings.sync_findings(shard, found, units, parts, zones, now, anew=anew)
    return AssessmentCounts(
        units=len(units),
        parts=len(parts),
        found=raised.found,
        changed=raised.changed,
        gone=raised.gone,
        readiness_changes=readiness_changes,
    )


def _held(which: UnitRange, now: datetime, clock: datetime) -> UnitRange:
    """Keep others from assessing these treatment units until the transaction ends.

    Leaves out those assessed as of a later moment: a shard that comes late must not undo what is known since.
    A moment the clock has not reached was written by one that ran ahead; such a treatment unit is taken in.
    """
    units = TreatmentUnit.objects.filter(which.condition("id")).order_by("id")
    # In order of id, so that two assessments never wait for each other.
    list(units.select_for_update(no_key=True).values_list("id", flat=True))
    newer = UnitState.objects.filter(
        which.condition("treatment_unit_id"), assessed_at__gt=now, assessed_at__lte=clock + CLOCKS_DIFFER
    )
    return replace(which, except_ids=tuple(newer.values_list("treatment_unit_id", flat=True)))


@dataclass(frozen=True)
class Spent:
    """What one process took."""

    seconds: float
    """Wall time of the work."""
    processor_s: float
    """Its own processor time; the database's comes on top."""
    peak_mib: float
    """Highest memory of the process. [MiB]"""
    answer: object


def beside(*works: Callable[[], object]) -> list[Spent]:
    """Do each piece of work in a process of its own, all at once, and return what each took.

    Raises RuntimeError when one fails; what went wrong is on its standard error.
    """
    # A connection belongs to one process.
    connections.close_all()
    context = multiprocessing.get_context("fork")
    running = []
    for work in works:
        ours, theirs = context.Pipe(duplex=False)
        process = context.Process(target=_do, args=(work, theirs))
        process.start()
        theirs.close()
        running.append((process, ours))
    spent = []
    for process, ours in running:
        try:
            spent.append(ours.recv())
        except EOFError as error:
            raise RuntimeError("A process of the measurement failed; see above.") from error
        finally:
            process.join()
    return spent


def _do(work: Callable[[], object], answer_to: Connection) -> None:
    connections.close_all()
    began, busy = time.perf_counter(), time.process_time()
    answer = work()
    seconds, busy = time.perf_counter() - began, time.process_time() - busy
    answer_to.send(Spent(seconds, busy, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, answer))
    connections.close_all()
