"""How the queue is: whether it answers and how many pieces of work lie in it.

The numbers somebody would act on: what waits, what is late, what is silent, what failed.
"""

import shutil
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

import redis
from django.conf import settings
from django.db.models import Count, Min, Q

from fleet.models import (
    AssessmentRun,
    AssessmentShard,
    ReadinessState,
    ShardState,
    TaskOutcome,
    TaskRun,
    TreatmentUnit,
    UnitState,
)
from fleet.telemetry import last_seen
from scheduling.customers.models import CUT_OFF_AFTER
from scheduling.models import Notice, NoticeState, ProposalState, RouteProposal, WorkOrder
from scheduling.overview.overview import SILENT_DAYS

PATIENCE_S: Final = 2
QUEUE: Final = "celery"


@dataclass(frozen=True)
class QueueState:
    """``is_wanted`` is false where tasks run inside the process that sends them."""

    is_wanted: bool
    answers: bool
    waiting: int = 0
    """Pieces nobody has taken yet."""
    taken: int = 0
    """Pieces a worker has and has not finished."""


def queue_state() -> QueueState:
    """Ask the queue, for two seconds at most."""
    if not settings.REDIS_URL:
        return QueueState(is_wanted=False, answers=True)
    client = redis.Redis.from_url(
        settings.REDIS_URL, socket_connect_timeout=PATIENCE_S, socket_timeout=PATIENCE_S
    )
    try:
        return QueueState(True, True, int(client.llen(QUEUE)), int(client.hlen("unacked")))
    except redis.RedisError:
        return QueueState(is_wanted=True, answers=False)
    finally:
        client.close()


LONGEST_TASK: Final = timedelta(hours=2)
"""A task without an end after so long was cut off: its worker is gone."""


LESS_THAN_A_DAY: Final = timedelta(hours=20)
"""Within it one timetable calls for one night."""


@dataclass(frozen=True)
class Numbers:
    """Everything watched, at one moment. Moments are None where there is nothing."""

    units: int
    units_never_assessed: int
    oldest_assessed_at: datetime | None
    orders_past_window: int
    standing_orders: int
    silent_meters: int
    notices_waiting: int
    oldest_notice_due_at: datetime | None
    notices_failed: int
    notices_cut_off: int
    shards_waiting: int
    shards_begun_again: int
    """Shards of the newest run that had to be begun more than once."""
    oldest_work_at: datetime | None
    """Since when the oldest piece of work waits: a shard, a notice or a plan of routes."""
    last_run_started_at: datetime | None
    last_run_finished_at: datetime | None
    last_night_at: datetime | None
    tasks_failed_in_a_day: int
    tasks_cut_off_in_a_day: int
    tasks_handed_out_again: int
    """Tasks of the last day that workers were handed more than once."""
    nights_called: int
    """How often the timetable called for a night within less than a day; more than once: there are two."""
    last_backup_at: datetime | None
    refused_messages: int
    """Telemetry that could not be taken and waits for a person."""
    telemetry_silent: int
    events_waiting: int
    oldest_event_at: datetime | None
    """Since when the oldest event another program should be told of waits."""
    webhooks_off: int
    disk_free_bytes: int
    queue: QueueState


def numbers(*, now: datetime, today: date) -> Numbers:
    """Return what is watched, in a number of queries that does not grow with the fleet."""
    units = TreatmentUnit.objects.count()
    notices = _notices(now)
    shards = _shards()
    waiting = (shards["oldest"], notices["oldest"], _oldest_plan())
    return Numbers(
        units=units,
        **_states(units, now),
        **WorkOrder.objects.standing().aggregate(
            orders_past_window=Count("pk", filter=Q(window_to__lt=today)), standing_orders=Count("pk")
        ),
        notices_waiting=notices["waiting"],
        oldest_notice_due_at=notices["oldest"],
        notices_failed=notices["failed"],
        notices_cut_off=notices["cut_off"],
        shards_waiting=shards["waiting"],
        shards_begun_again=shards["again"],
        oldest_work_at=min((at for at in waiting if at), default=None),
        **_runs(),
        **_tasks(now),
        refused_messages=last_seen.waiting_dead_letters(),
        telemetry_silent=last_seen.silent_count(),
        events_waiting=last_seen.undelivered(),
        oldest_event_at=last_seen.oldest_undelivered_at(now),
        webhooks_off=last_seen.given_up_webhooks(),
        disk_free_bytes=shutil.disk_usage(settings.DATA_DIR).free,
        queue=queue_state(),
    )


def oldest_work_at(now: datetime) -> datetime | None:
    """Return since when the oldest piece of work waits."""
    found = (_shards()["oldest"], _notices(now)["oldest"], _oldest_plan())
    return min((at for at in found if at), default=None)


def _states(units: int, now: datetime) -> dict:
    silent = Q(last_read_at__lt=now - timedelta(days=SILENT_DAYS)) | Q(last_read_at=None)
    found = UnitState.objects.aggregate(
        assessed=Count("pk"),
        oldest_assessed_at=Min("assessed_at"),
        silent_meters=Count("pk", filter=silent & ~Q(readiness=ReadinessState.OUT_OF_SERVICE)),
    )
    return {"units_never_assessed": max(units - found.pop("assessed"), 0), **found}


def _notices(now: datetime) -> dict:
    if not settings.NOTICES_ON:
        return {"waiting": 0, "oldest": None, "failed": 0, "cut_off": 0}
    due = Q(state=NoticeState.WAITING, next_try_at__lte=now)
    claimed_long_ago = Q(state=NoticeState.CLAIMED, claimed_at__lte=now - CUT_OFF_AFTER)
    return Notice.objects.aggregate(
        waiting=Count("pk", filter=Q(state=NoticeState.WAITING)),
        oldest=Min("next_try_at", filter=due),
        failed=Count("pk", filter=Q(state=NoticeState.FAILED)),
        cut_off=Count("pk", filter=claimed_long_ago),
    )


def _shards() -> dict:
    open_shards = AssessmentShard.objects.exclude(state=ShardState.DONE).filter(run__finished_at__isnull=True)
    found = open_shards.aggregate(waiting=Count("pk"), oldest=Min("run__started_at"))
    newest = AssessmentRun.objects.order_by("-started_at", "-id").values_list("pk", flat=True).first()
    again = AssessmentShard.objects.filter(run_id=newest, attempts__gt=1).count() if newest else 0
    return {**found, "again": again}


def _oldest_plan() -> datetime | None:
    running = RouteProposal.objects.filter(state=ProposalState.RUNNING)
    return running.aggregate(at=Min("made_at"))["at"]


def _runs() -> dict:
    newest = AssessmentRun.objects.order_by("-started_at", "-id").first()
    finished = AssessmentRun.objects.filter(finished_at__isnull=False).order_by("-finished_at").first()
    night = AssessmentRun.objects.filter(night_on__isnull=False).order_by("-night_on").first()
    return {
        "last_run_started_at": newest and newest.started_at,
        "last_run_finished_at": finished and finished.finished_at,
        "last_night_at": night and night.started_at,
    }


def _tasks(now: datetime) -> dict:
    day = Q(started_at__gt=now - timedelta(days=1))
    cut_off = Q(outcome=TaskOutcome.RUNNING, started_at__lt=now - LONGEST_TASK)
    night = Q(name="fleet.tasks.assess_fleet", outcome=TaskOutcome.DONE, started_at__gt=now - LESS_THAN_A_DAY)
    found = TaskRun.objects.filter(day).aggregate(
        tasks_failed_in_a_day=Count("pk", filter=Q(outcome=TaskOutcome.FAILED)),
        tasks_cut_off_in_a_day=Count("pk", filter=cut_off),
        nights_called=Count("pk", filter=night),
    )
    again = TaskRun.objects.filter(day).exclude(task_id="").order_by().values("task_id")
    found["tasks_handed_out_again"] = again.annotate(times=Count("pk")).filter(times__gt=1).count()
    backup = TaskRun.objects.filter(name="back_up", outcome=TaskOutcome.DONE).order_by("-started_at").first()
    return {**found, "last_backup_at": backup and backup.started_at}
