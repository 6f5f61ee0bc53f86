"""Writes down what ran by itself. A record that can't be written never stops the work it is about."""

import logging
from datetime import datetime, timedelta
from typing import Final

from django.db import DatabaseError, InterfaceError, OperationalError, connection, transaction
from django.db.models import Q

from fleet.models import TaskOutcome, TaskRun
from shared.messages import message

KEPT_FOR: Final = timedelta(days=14)
KEPT_WHEN_DONE: Final = timedelta(days=1)
log = logging.getLogger(__name__)

PLAIN_WORDS: Final = {
    "disk is full": message(
        "The disk was full, nothing was written. Free space or move the data to a larger disk."
    ),
    "No space left": message(
        "The disk was full, nothing was written. Free space or move the data to a larger disk."
    ),
    "database is locked": message("Another program held the database too long. It is tried again."),
    "lock timeout": message("Another transaction held what was needed too long. It is tried again."),
    "statement timeout": message("The database took too long and was stopped. It is tried again."),
}
BY_TYPE: Final = {
    "OperationalError": message(
        "The database did not answer. Start it or look at DATABASE_URL. It is tried again."
    ),
    "InterfaceError": message("The database went away. Start it or look at DATABASE_URL. It is tried again."),
    "ConnectionError": message(
        "The queue did not answer. Start Redis or look at REDIS_URL. It is tried again."
    ),
    "SoftTimeLimitExceeded": message("It took longer than it may. Look whether the machine is overloaded."),
    "MemoryError": message(
        "The machine ran out of memory. Give it more or make shards smaller (TAPWARD_SHARD_SIZE)."
    ),
}


def plain_problem(error: BaseException) -> str:
    """Say what went wrong without repeating an error's own text, which may hold names or addresses."""
    text = str(error)
    for sign, words in PLAIN_WORDS.items():
        if sign in text:
            return words
    kinds = [kind.__name__ for kind in type(error).__mro__]
    for kind in kinds:
        if kind in BY_TYPE:
            return BY_TYPE[kind]
    return message(
        "An error of kind {kinds}. The log has its place in the code under the same task id.", kinds=kinds[0]
    )


def begin(*, name: str, task_id: str, request_id: str, now: datetime) -> int | None:
    """Write down that a task begins; None when that can't be written."""
    try:
        with transaction.atomic():
            given = {"name": name[:80], "task_id": task_id[:64], "request_id": request_id[:64]}
            return TaskRun.objects.create(**given, started_at=now).pk
    except (DatabaseError, InterfaceError) as error:
        log.error("The beginning of a task could not be written down.", exc_info=error)
        return None


def end(run_id: int | None, *, now: datetime, error: BaseException | None = None) -> None:
    """Write down how a task ended."""
    if run_id is None:
        return
    outcome = TaskOutcome.DONE if error is None else TaskOutcome.FAILED
    problem = "" if error is None else plain_problem(error)
    try:
        _write_end(run_id, ended_at=now, outcome=outcome, problem=problem)
    except (DatabaseError, InterfaceError) as later:
        log.error("The end of a task could not be written down.", exc_info=later)


def _write_end(run_id: int, **given) -> None:
    """Write the end; a second time with a fresh connection when the old one broke with the task."""
    try:
        with transaction.atomic():
            TaskRun.objects.filter(pk=run_id).update(**given)
    except (OperationalError, InterfaceError):
        if connection.in_atomic_block:
            raise
        connection.close()
        TaskRun.objects.filter(pk=run_id).update(**given)


def tidy(now: datetime) -> int:
    """Take away what went well after a day, the rest after two weeks; keep each task's newest good run."""
    newest = TaskRun.objects.filter(outcome=TaskOutcome.DONE).order_by("name", "-started_at", "-id")
    keep: dict[str, int] = {}
    for name, pk in newest.values_list("name", "pk"):
        keep.setdefault(name, pk)
    ended_well = Q(outcome=TaskOutcome.DONE, started_at__lt=now - KEPT_WHEN_DONE)
    old = TaskRun.objects.filter(ended_well | Q(started_at__lt=now - KEPT_FOR))
    return old.exclude(pk__in=keep.values()).delete()[0]
