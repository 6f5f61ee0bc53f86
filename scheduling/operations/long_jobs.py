"""Long work asked for on a page: begun, watched, stopped, ended. What each kind does stands elsewhere."""

import time
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from django.core.cache import caches
from django.db import IntegrityError, connection, transaction

from fleet.models import Person
from fleet.runs.task_runs import plain_problem
from scheduling.models import JobKind, JobState, LongJob
from shared.errors import CannotDo
from shared.messages import message

TELL_EVERY_S: Final = 0.3
"""Progress is told, and the wish to stop looked up, no more often than this. [s]"""
KEPT_S: Final = 24 * 3600
"""How long progress is kept. [s]"""
SILENT_S: Final = 30
"""Work that told nothing for so long is taken for lost with its process when somebody stops it. [s]"""


class Stopped(Exception):
    """Somebody wants this work stopped: leave everything as it was."""


@dataclass(frozen=True)
class Progress:
    """How far work has come: a part of the whole, words, and how long ago that was told. [s]"""

    part: float
    words: str
    age_s: float
    may_stop: bool = True


def begin(
    kind: JobKind, *, given: dict | None = None, upload: uuid.UUID | None = None, by: Person, now: datetime
) -> LongJob:
    """Write down that work is wanted; ``carry_out`` does it. Raises CannotDo while its file is at work."""
    try:
        with transaction.atomic():
            return LongJob.objects.create(
                kind=kind, given=given or {}, upload=upload, made_by=by, made_at=now
            )  # fmt: skip
    except IntegrityError as error:
        raise CannotDo(
            message("This file is being worked on already."), remedy=message("Wait for it, or stop it first.")
        ) from error


def progress_of(job: LongJob) -> Progress | None:
    """Return how far a job is; None when nobody has begun it."""
    told = _cache().get(_told_key(job.pk))
    if told is None:
        return None
    at_s, part, words, may_stop = told
    return Progress(part, words, max(0.0, time.time() - at_s), may_stop)


def wants_stop(job_id: int) -> bool:
    """Say whether somebody wants a job stopped."""
    return bool(_cache().get(_stop_key(job_id)))


def cancel(job: LongJob, *, now: datetime) -> None:
    """Ask a job to stop; one that nobody works on, or whose process is gone, is stopped here and now."""
    _cache().set(_stop_key(job.pk), True, KEPT_S)
    told = progress_of(job)
    if told is not None and told.age_s < SILENT_S:
        return
    with transaction.atomic():
        rows = LongJob.objects.filter(pk=job.pk, state=JobState.RUNNING)
        if connection.features.has_select_for_update_skip_locked:
            # Locked means somebody is at work on it after all and will see the wish.
            rows = LongJob.objects.filter(pk__in=list(_free(rows)))
        rows.update(state=JobState.STOPPED, ended_at=now)


def carry_out(job_id: int, work: "Work", *, clock: Callable[[], datetime]) -> LongJob:
    """Do a job's work and write down how it ended. May run twice: what is over stays as it is.

    ``work`` gets the job, its watch and the clock and returns the answer. It must leave nothing behind when
    it raises.
    """
    job = LongJob.objects.select_related("made_by").get(pk=job_id)
    if job.is_over:
        return job
    watch = Watch(job.pk)
    try:
        watch.tell(0.0, "begun")
        answer = work(job, watch, clock)
    except Stopped:
        _end(job, JobState.STOPPED, clock())
    except CannotDo as error:
        _end(job, JobState.FAILED, clock(), problem=error.sentence)
    except BaseException as error:
        _end(job, JobState.FAILED, clock(), problem=plain_problem(error))
        raise
    else:
        _end(job, JobState.DONE, clock(), answer=answer)
    job.refresh_from_db()
    return job


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
        _cache().set(
            _told_key(self.job_id), (time.time(), min(1.0, part), words, self.may_stop), KEPT_S
        )  # fmt: skip

    def past_stopping(self) -> None:
        """From here on it goes through to the end."""
        self.may_stop = False
        self._told_s = 0.0


Work = Callable[[LongJob, Watch, Callable[[], datetime]], dict]


def _end(
    job: LongJob, state: JobState, ended_at: datetime, *, answer: dict | None = None, problem: str = ""
) -> None:
    changed: dict = {"state": state, "ended_at": ended_at, "problem": problem}
    if answer is not None:
        changed["answer"] = answer
    LongJob.objects.filter(pk=job.pk, state=JobState.RUNNING).update(**changed)


def _free(rows):
    return rows.select_for_update(skip_locked=True).values_list("pk", flat=True)


def _cache():
    return caches["progress"]


def _told_key(job_id: int) -> str:
    return f"job:{job_id}:told"


def _stop_key(job_id: int) -> str:
    return f"job:{job_id}:stop"
