"""An import asked for on a page: the file kept, looked at, written, each as long work that can be stopped.

The whole line once, from readings to revenue, for those who run no timetable.
Which work each kind of long job is.
"""

import shutil
import uuid
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from django.conf import settings
from django.db import transaction

from fleet.assessment import day_readings, runs
from fleet.assessment.runs import assess_fleet
from fleet.models import AssessmentRun
from scheduling.billing import invoicing, revenue
from scheduling.models import JobKind, LongJob
from scheduling.operations import long_jobs
from scheduling.operations.long_jobs import Stopped, Watch, Work
from scheduling.orders import raising
from scheduling.routes import publishing
from scheduling.workbook import importing
from shared.errors import CannotDo
from shared.messages import message
from shared.periods import local_day

SHOWN_PROBLEMS: Final = 300
"""More problems than this don't help on a page; the workbook of the rest has them all."""
KEPT_FOR: Final = timedelta(days=7)
"""An upload nobody wrote is thrown away after so long."""
ASSESSING: Final = message("the rows are written; the fleet is being assessed")
Clock = Callable[[], datetime]


def keep(name: str, parts: Iterable[bytes], *, person_id: int, now: datetime) -> uuid.UUID:
    """Keep an upload where only its person finds it; return its token. Old ones are thrown away."""
    _folder().mkdir(parents=True, exist_ok=True)
    for old in _folder().iterdir():
        if old.stat().st_mtime < (now - KEPT_FOR).timestamp():
            shutil.rmtree(old, ignore_errors=True)
    token = uuid.uuid4()
    # A CSV's name is its sheet's name, so each upload has a folder of its own.
    own = _own(token, person_id)
    own.mkdir()
    with (own / Path(name).name).open("wb") as file:
        for part in parts:
            file.write(part)
    return token


def kept_file(token: uuid.UUID, person_id: int) -> Path | None:
    """Return a person's kept upload; None when it is no longer there."""
    own = _own(token, person_id)
    found = sorted(path for path in own.glob("*") if path.is_file()) if own.is_dir() else []
    return found[0] if found else None


def rest_file(token: uuid.UUID, person_id: int) -> Path | None:
    """Return the workbook of a look's refused rows; None when nothing was refused."""
    path = _rest(token, person_id)
    return path if path.is_file() else None


def look(job: LongJob, watch: Watch, clock: Clock) -> dict:
    """Find out what an import would do; the refused rows go to a workbook beside the upload."""
    report = importing.preview(_wanted(job), now=clock(), by=job.made_by, on_progress=watch.tell)
    if report.problems:
        rest = _rest(job.upload, job.made_by_id)
        rest.parent.mkdir(exist_ok=True)
        report.write_rest(rest)
    return _told(report)


def write(job: LongJob, watch: Watch, clock: Clock) -> dict:
    """Write the upload in one transaction with what came of it, then have the fleet assessed.

    A worker that dies before the rows are written leaves none; one that dies after them finds them written.
    """
    if not job.answer:
        path = _wanted(job)
        prepared = importing.prepare(path, now=clock(), by=job.made_by, on_progress=watch.tell)
        with transaction.atomic():
            # Whoever else works on this job waits here and then finds its answer.
            job = LongJob.objects.select_for_update(of=("self",)).select_related("made_by").get(pk=job.pk)
            if job.is_over:
                raise Stopped
            if not job.answer:
                report = importing.write_prepared(
                    prepared, accept_good_rows=job.given.get("accept") == "good", on_progress=watch.tell
                )
                job.answer = _told(report)
                job.save(update_fields=["answer"])
    if job.answer["rows_written"]:
        watch.past_stopping()
        watch.tell(0.0, ASSESSING)
        assess_fleet(
            clock(),
            settings.SHARD_SIZE,
            lambda done, total: watch.tell(
                done / total, message("The rows are written; the fleet is being assessed.")
            ),
        )
    if job.answer["is_written"]:
        shutil.rmtree(_own(job.upload, job.made_by_id), ignore_errors=True)
    return job.answer


def _told(report: importing.ImportReport) -> dict:
    return {
        "is_written": report.is_written,
        "rows_written": report.rows_written,
        "good_rows": sum(count.added + count.changed for count in report.counts.values()),
        "counts": {name: asdict(count) for name, count in report.counts.items()},
        "problem_count": len(report.problems),
        "problems": [asdict(problem) for problem in report.problems[:SHOWN_PROBLEMS]],
    }


def _wanted(job: LongJob) -> Path:
    found = kept_file(job.upload, job.made_by_id) if job.upload else None
    if found is None:
        raise CannotDo(
            message("The file is no longer kept, or this worker does not see it."),
            remedy=message("Bring it in again. Web and workers on several machines share TAPWARD_DATA_DIR."),
        )
    return found


def _folder() -> Path:
    return Path(settings.DATA_DIR) / "uploads"


def _own(token: uuid.UUID, person_id: int) -> Path:
    return _folder() / f"{person_id}-{token}"


def _rest(token: uuid.UUID, person_id: int) -> Path:
    return _own(token, person_id) / "rest" / "to-mend.xlsx"


@dataclass(frozen=True)
class Upkeep:
    """What came of each stage."""

    run: AssessmentRun
    raised: raising.RaiseReport
    earned: revenue.RevenueReport


def bring_up_to_date(
    *,
    now: datetime,
    zone: str,
    shard_size: int,
    on_progress: Callable[[int, int], None] | None = None,
    on_stage: Callable[[str], None] | None = None,
) -> Upkeep:
    """Assess the fleet, open what past routes missed, raise work, raise prices that are due, enter revenue.

    Each stage may be repeated: a second call with nothing new changes nothing. ``on_stage`` is told
    what comes next; what it raises ends the line there, with whole stages done.
    """
    tell = on_stage or (lambda words: None)
    run = runs.assess_fleet(now, shard_size, on_progress)
    tell(message("opening what past routes missed, and raising work"))
    publishing.release_missed(now=now)
    raised = raising.raise_work(now=now)
    tell(message("entering what was earned"))
    invoicing.raise_prices(today=local_day(now, zone))
    earned = revenue.enter_revenue(through=local_day(now, zone), now=now)
    day_readings.roll_up_fleet(now, shard_size)
    return Upkeep(run, raised, earned)


def carry_out(job_id: int, *, clock: Callable[[], datetime]) -> LongJob:
    """Do a job that was written down as wanted. One that is over is left as it is."""
    kind = JobKind(LongJob.objects.values_list("kind", flat=True).get(pk=job_id))
    return long_jobs.carry_out(job_id, WORK[kind], clock=clock)


def _upkeep(job: LongJob, watch: Watch, clock: Callable[[], datetime]) -> dict:
    """Assess, raise, earn. Each stage stands for itself, so that a stop leaves whole stages."""
    done = bring_up_to_date(
        now=clock(),
        zone=settings.TIME_ZONE,
        shard_size=settings.SHARD_SIZE,
        on_progress=lambda shards, total: watch.tell(
            0.9 * shards / total,
            message("assessing: {shards:,} of {total:,} shards", shards=shards, total=total),
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
    JobKind.IMPORT_LOOK: look,
    JobKind.IMPORT_WRITE: write,
    JobKind.UPKEEP: _upkeep,
}
