"""The whole line once, from readings to revenue, for those who run no timetable.

Long work asked for on a page: begun, watched, stopped, ended; and what each kind of it does.

Its row says how it ended; how far it has come stands in the cache, as its transaction may not be seen yet.
"""

import shutil
import time
import uuid
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

from django.conf import settings
from django.core.cache import caches
from django.db import IntegrityError, connection, transaction

from fleet.assessment.runs import assess_fleet
from fleet.models import AssessmentRun, Person
from fleet.runs.task_runs import plain_problem
from scheduling.billing import invoicing, revenue
from scheduling.models import JobKind, JobState, LongJob
from scheduling.orders import raising
from scheduling.routes import publishing
from scheduling.workbook import importing
from scheduling.workbook.mapping.conversion import Doubt
from scheduling.workbook.mapping.own_files import convert_file
from shared.errors import DomainError
from shared.messages import message
from shared.periods import local_day


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
    run = assess_fleet(now, shard_size, on_progress)
    tell(message("opening what past routes missed, and raising work"))
    publishing.release_missed(now=now)
    raised = raising.raise_work(now=now)
    tell(message("entering what was earned"))
    invoicing.raise_prices(today=local_day(now, zone))
    earned = revenue.enter_revenue(through=local_day(now, zone), now=now)
    return Upkeep(run, raised, earned)


TELL_EVERY_S: Final = 0.3
"""Progress is told, and the wish to stop looked up, no more often than this. [s]"""
KEPT_S: Final = 24 * 3600
"""How long progress is kept. [s]"""
SILENT_S: Final = 30
"""Work that told nothing for so long is taken for lost with its process when somebody stops it. [s]"""
SHOWN_PROBLEMS: Final = 300
"""More problems than this don't help on a page; the workbook of the rest has them all."""
KEPT_FOR: Final = timedelta(days=7)
"""An upload nobody wrote is thrown away after so long."""
MOST_NAME_BYTES: Final = 200
ASSESSING: Final = message("the rows are written; the fleet is being assessed")
Clock = Callable[[], datetime]


class Stopped(Exception):
    """Somebody wants this work stopped: leave everything as it was."""


@dataclass(frozen=True)
class Progress:
    """How far work has come: a part of the whole, words, and how long ago that was told. [s]"""

    part: float
    words: str
    age_s: float
    may_stop: bool = True


class Watch:
    """Tells how far work has come and raises Stopped where somebody wants it stopped."""

    def __init__(self, job_id: int) -> None:
        self.job_id = job_id
        self.may_stop = True
        self._told_s = 0.0

    def tell(self, part: float, words: str) -> None:
        """Say how far it is, as a part of the whole and in words."""
        if time.monotonic() - self._told_s < TELL_EVERY_S:
            return
        if self.may_stop and wants_stop(self.job_id):
            raise Stopped
        self._told_s = time.monotonic()
        _keep(self.job_id, "told", (time.time(), min(1.0, part), words, self.may_stop))

    def past_stopping(self) -> None:
        """From here on it goes through to the end."""
        self.may_stop = False
        self._told_s = 0.0


def begin(
    kind: JobKind, *, given: dict | None = None, upload: uuid.UUID | None = None, by: Person, now: datetime
) -> LongJob:
    """Write down that work is wanted; ``carry_out`` does it. Raises DomainError while its file is at work."""
    try:
        with transaction.atomic():
            job = LongJob.objects.create(
                kind=kind, given=given or {}, upload=upload, made_by=by, made_at=now
            )  # fmt: skip
    except IntegrityError as error:
        raise DomainError(
            message("This file is being worked on already."), remedy=message("Wait for it, or stop it first.")
        ) from error
    # A restored database counts its jobs from an older number: an older job's wish to stop isn't this one's.
    caches["progress"].delete_many([f"job:{job.pk}:{what}" for what in ("told", "stop")])
    return job


def progress_of(job: LongJob) -> Progress | None:
    """Return how far a job is; None when nobody has begun it."""
    told = _kept(job.pk, "told")
    if told is None:
        return None
    at_s, part, words, may_stop = told
    return Progress(part, words, max(0.0, time.time() - at_s), may_stop)


def wants_stop(job_id: int) -> bool:
    """Say whether somebody wants a job stopped."""
    return bool(_kept(job_id, "stop"))


def cancel(job: LongJob, *, now: datetime) -> None:
    """Ask a job to stop; one that nobody works on, or whose process is gone, is stopped here and now."""
    _keep(job.pk, "stop", True)
    told = progress_of(job)
    if told is not None and told.age_s < SILENT_S:
        return
    with transaction.atomic():
        rows = LongJob.objects.filter(pk=job.pk, state=JobState.RUNNING)
        if connection.features.has_select_for_update_skip_locked:
            # Locked means somebody is at work on it after all and will see the wish.
            free = rows.select_for_update(skip_locked=True).values_list("pk", flat=True)
            rows = LongJob.objects.filter(pk__in=list(free))
        rows.update(state=JobState.STOPPED, ended_at=now)


def carry_out(job_id: int, *, clock: Clock) -> LongJob:
    """Do a job's work and write down how it ended. May run twice: what is over stays as it is."""
    job = LongJob.objects.select_related("made_by").get(pk=job_id)
    if job.is_over:
        return job
    watch = Watch(job.pk)
    try:
        watch.tell(0.0, "begun")
        answer = WORK[JobKind(job.kind)](job, watch, clock)
    except Stopped:
        _end(job, clock(), state=JobState.STOPPED)
    except DomainError as error:
        _end(job, clock(), state=JobState.FAILED, problem=str(error)[:2000])
    except BaseException as error:
        _end(job, clock(), state=JobState.FAILED, problem=plain_problem(error))
        raise
    else:
        _end(job, clock(), state=JobState.DONE, answer=answer)
    job.refresh_from_db()
    return job


def keep_upload(name: str, parts: Iterable[bytes], *, person_id: int, now: datetime) -> uuid.UUID:
    """Keep an upload where only its person finds it; return its token. Old ones are thrown away."""
    folder = Path(settings.DATA_DIR) / "uploads"
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.iterdir():
        if old.stat().st_mtime < (now - KEPT_FOR).timestamp():
            shutil.rmtree(old, ignore_errors=True)
    token = uuid.uuid4()
    # A CSV's name is its sheet's name, so each upload has a folder of its own.
    own = _own(token, person_id)
    own.mkdir()
    # A file system takes 255 bytes, a browser sends as many characters.
    stem = Path(name).stem.encode()[:MOST_NAME_BYTES].decode("utf-8", "ignore")
    with (own / f"{stem}{Path(name).suffix}").open("wb") as file:
        for part in parts:
            file.write(part)
    return token


def kept_file(token: uuid.UUID, person_id: int) -> Path | None:
    """Return a person's kept upload; None when it is no longer there."""
    found = sorted(path for path in _own(token, person_id).glob("*") if path.is_file())
    return found[0] if found else None


def rest_file(token: uuid.UUID, person_id: int) -> Path | None:
    """Return the workbook of a look's refused rows; None when nothing was refused."""
    path = _rest(token, person_id)
    return path if path.is_file() else None


def _look(job: LongJob, watch: Watch, clock: Clock) -> dict:
    """Find out what an import would do; the refused rows go to a workbook beside the upload."""
    path = _wanted(job)
    doubts: list[Doubt] = []
    if "choices" in job.given:
        watch.tell(0.0, message("making rows of the template"))
        converted = _converted(job)
        converted.parent.mkdir(exist_ok=True)
        doubts = convert_file(path, converted, job.given["choices"], by=job.made_by)
        path = converted
    report = importing.preview(path, now=clock(), by=job.made_by, on_progress=watch.tell)
    if report.problems:
        rest = _rest(job.upload, job.made_by_id)
        rest.parent.mkdir(exist_ok=True)
        report.write_rest(rest)
    shown = [asdict(doubt) for doubt in doubts[:SHOWN_PROBLEMS]]
    return {**_answer_of(report), "doubt_count": len(doubts), "doubts": shown}


def _write(job: LongJob, watch: Watch, clock: Clock) -> dict:
    """Write the upload in one transaction with what came of it, then have the fleet assessed.

    A worker that dies before the rows are written leaves none; one that dies after them finds them written.
    """
    if not job.answer:
        path = _converted(job) if "choices" in job.given else _wanted(job)
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
                job.answer = _answer_of(report)
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


def _upkeep(job: LongJob, watch: Watch, clock: Clock) -> dict:
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
    counts = {name: done.run.counts.get(name, 0) for name in ("units", "found", "gone")}
    return {**counts, "raised": done.raised.raised_total, "withdrawn": done.raised.withdrawn}


WORK: Final[dict[JobKind, Callable[[LongJob, Watch, Clock], dict]]] = {
    JobKind.IMPORT_LOOK: _look,
    JobKind.IMPORT_WRITE: _write,
    JobKind.UPKEEP: _upkeep,
}
"""What each kind does: it returns the answer, and leaves nothing behind when it raises."""


def _answer_of(report: importing.ImportReport) -> dict:
    return {
        "is_written": report.is_written,
        "is_template": report.is_template,
        "rows_written": report.rows_written,
        "good_rows": sum(count.added + count.changed for count in report.counts.values()),
        "counts": {name: asdict(count) for name, count in report.counts.items()},
        "without_place": sum(
            row.get("latitude") is None
            for parsed in report.parsed
            if parsed.sheet.name == "sites"
            for row in parsed.good_rows
        ),
        "problem_count": len(report.problems),
        "problems": [asdict(problem) for problem in report.problems[:SHOWN_PROBLEMS]],
    }


def _wanted(job: LongJob) -> Path:
    found = kept_file(job.upload, job.made_by_id) if job.upload else None
    if found is None:
        raise DomainError(
            message("The file is no longer kept, or this worker does not see it."),
            remedy=message("Bring it in again. Web and workers on several machines share TAPWARD_DATA_DIR."),
        )
    return found


def _converted(job: LongJob) -> Path:
    return _own(job.upload, job.made_by_id) / "converted" / "fleet.xlsx"


def _own(token: uuid.UUID, person_id: int) -> Path:
    return Path(settings.DATA_DIR) / "uploads" / f"{person_id}-{token}"


def _rest(token: uuid.UUID, person_id: int) -> Path:
    return _own(token, person_id) / "rest" / "to-mend.xlsx"


def _end(job: LongJob, ended_at: datetime, **changed: Any) -> None:
    LongJob.objects.filter(pk=job.pk, state=JobState.RUNNING).update(ended_at=ended_at, **changed)


def _keep(job_id: int, what: str, value: object) -> None:
    caches["progress"].set(f"job:{job_id}:{what}", value, KEPT_S)


def _kept(job_id: int, what: str) -> Any:
    return caches["progress"].get(f"job:{job_id}:{what}")
