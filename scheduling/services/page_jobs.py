"""Which work each kind of long job is."""

from collections.abc import Callable
from datetime import datetime
from typing import Final

from django.conf import settings

from scheduling.models import JobKind, LongJob
from scheduling.services import import_jobs, long_jobs, upkeep
from scheduling.services.long_jobs import Watch, Work


def carry_out(job_id: int, *, clock: Callable[[], datetime]) -> LongJob:
    """Do a job that was written down as wanted. One that is over is left as it is."""
    kind = JobKind(LongJob.objects.values_list("kind", flat=True).get(pk=job_id))
    return long_jobs.carry_out(job_id, WORK[kind], clock=clock)


def _upkeep(job: LongJob, watch: Watch, clock: Callable[[], datetime]) -> dict:
    """Assess, raise, earn. Each stage stands for itself, so that a stop leaves whole stages."""
    done = upkeep.bring_up_to_date(
        now=clock(),
        zone=settings.TIME_ZONE,
        shard_size=settings.SHARD_SIZE,
        on_progress=lambda shards, total: watch.tell(
            0.9 * shards / total, f"assessing: {shards:,} of {total:,} shards"
        ),
        on_stage=lambda words: watch.tell(0.9, words),
    )
    counts = done.run.counts
    return {
        "units": counts.get("units", 0),
        "found": counts.get("found", 0),
        "gone": counts.get("gone", 0),
        "raised": done.raised.raised_total,
        "withdrawn": done.raised.withdrawn,
    }


WORK: Final[dict[JobKind, Work]] = {
    JobKind.IMPORT_LOOK: import_jobs.look,
    JobKind.IMPORT_WRITE: import_jobs.write,
    JobKind.UPKEEP: _upkeep,
}
