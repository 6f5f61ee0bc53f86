"""The numbers somebody would act on: what waits, what is late, what is silent, what failed.

Each number is declared once with its Prometheus name and help. Kept by ourselves: the general packages tried
count requests and queries, not the fleet, and answer with names and texts of their own.
"""

import shutil
from dataclasses import dataclass, field, fields
from datetime import date, datetime, timedelta
from typing import Final

import redis
from django.conf import settings
from django.db.models import Count, Max, Min, Q
from prometheus_client.core import GaugeMetricFamily

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
from fleet.runs.worker_heartbeat import living
from fleet.telemetry import last_seen
from scheduling.customers.models import CUT_OFF_AFTER
from scheduling.models import Notice, NoticeState, ProposalState, RouteProposal, WorkOrder
from scheduling.operations.timetable import BACK_UP, NIGHT
from scheduling.overview.overview import SILENT_DAYS
from shared.messages import message

LONGEST_TASK: Final = timedelta(hours=2)
"""A task without an end after so long was cut off: its worker is gone."""
LESS_THAN_A_DAY: Final = timedelta(hours=20)
"""Within it one timetable calls for one night."""
PATIENCE_S: Final = 2


@dataclass(frozen=True)
class QueueState:
    """``is_wanted`` is false where tasks run inside the process that sends them."""

    is_wanted: bool
    answers: bool
    waiting: int | None = None
    """Pieces nobody has taken yet."""
    taken: int | None = None
    """Pieces a worker has and has not finished."""
    workers: int | None = None
    """Workers that said lately that they live."""


def _told(words: str, name: str = "") -> dict[str, str]:
    """Return what watchers are told of a number beside it; without a name that of the field."""
    return {"help": words, "name": name}


@dataclass(frozen=True)
class Metrics:
    """Everything watched, at one moment. Moments are None where there is nothing; watchers are told ages."""

    now: datetime
    queue: QueueState
    last_run_started_at: datetime | None
    units: int = field(metadata=_told("Treatment units known.", "treatment_units"))
    units_never_assessed: int = field(metadata=_told("Treatment units without an assessment."))
    standing_orders: int = field(metadata=_told("Work orders still to be done."))
    orders_past_window: int = field(metadata=_told("Work orders past their window."))
    silent_meters: int = field(metadata=_told("Treatment units not read for 45 days."))
    notices_waiting: int = field(metadata=_told("Notices waiting to be sent."))
    notices_failed: int = field(metadata=_told("Notices that failed for good."))
    notices_cut_off: int = field(metadata=_told("Notices whose sender died while sending."))
    shards_waiting: int = field(metadata=_told("Shards of open assessments not done."))
    shards_begun_again: int = field(metadata=_told("Shards of the newest run begun more than once."))
    tasks_failed_in_a_day: int = field(metadata=_told("Tasks that failed in the last day."))
    tasks_cut_off_in_a_day: int = field(metadata=_told("Tasks of the last day without an end."))
    tasks_handed_out_again: int = field(
        metadata=_told("Tasks of the last day that workers were handed more than once.")
    )
    nights_called: int = field(
        metadata=_told("Calls of the timetable for the night; more than 1: two timetables.")
    )
    refused_messages: int = field(
        metadata=_told("Telemetry messages that wait for a person.", "dead_letters")
    )
    telemetry_silent: int = field(metadata=_told("Meters and gauges whose telemetry fell silent."))
    events_waiting: int = field(
        metadata=_told("Deliveries to other programs that wait.", "webhook_events_waiting")
    )
    webhooks_off: int = field(metadata=_told("Webhooks switched off because they kept failing."))
    disk_free_bytes: int = field(metadata=_told("Free space where the data lies."))
    oldest_assessed_at: datetime | None = field(
        metadata=_told("Age of the oldest assessment of a treatment unit.", "oldest_unassessed_age_seconds")
    )
    oldest_work_at: datetime | None = field(
        metadata=_told("How long the oldest piece of work has waited.", "oldest_work_age_seconds")
    )
    oldest_notice_due_at: datetime | None = field(
        metadata=_told("How long the oldest due notice has waited.", "outbox_age_seconds")
    )
    oldest_event_at: datetime | None = field(
        metadata=_told("How long the oldest untold event has waited.", "webhook_outbox_age_seconds")
    )
    last_run_finished_at: datetime | None = field(
        metadata=_told("Since the last assessment ended.", "last_assessment_age_seconds")
    )
    last_night_at: datetime | None = field(
        metadata=_told("Since the last night's run began.", "last_night_age_seconds")
    )
    last_task_at: datetime | None = field(
        metadata=_told("Since a task last wrote down that it began.", "last_task_age_seconds")
    )
    last_backup_at: datetime | None = field(
        metadata=_told("Since the last good backup began.", "last_backup_age_seconds")
    )

    def collect(self) -> list[GaugeMetricFamily]:
        """Return the numbers as Prometheus gauges; what is None is left out."""
        given = [
            (one.metadata["name"] or one.name, one.metadata["help"], getattr(self, one.name))
            for one in fields(self)
            if one.metadata
        ] + [
            ("queue_answers", "1 when the queue answers.", self.queue.answers),
            ("queue_waiting", "Tasks nobody has taken.", self.queue.waiting),
            ("queue_taken", "Tasks taken and not done.", self.queue.taken),
            ("workers", "Workers that said within a minute that they live.", self.queue.workers),
        ]
        found = []
        for name, words, value in given:
            number = (self.now - value).total_seconds() if isinstance(value, datetime) else value
            if number is not None:
                found.append(GaugeMetricFamily(f"tapward_{name}", words, value=number))
        return found


def numbers(*, now: datetime, today: date) -> Metrics:
    """Return what is watched, in a number of queries that does not grow with the fleet."""
    units = TreatmentUnit.objects.count()
    notices, shards = _notices(now), _shards()
    newest = AssessmentRun.objects.order_by("-started_at", "-id").first()
    finished = AssessmentRun.objects.filter(finished_at__isnull=False).order_by("-finished_at").first()
    night = AssessmentRun.objects.filter(night_on__isnull=False).order_by("-night_on").first()
    begun_again = AssessmentShard.objects.filter(run=newest, attempts__gt=1).count() if newest else 0
    return Metrics(
        now=now,
        queue=queue_state(),
        units=units,
        **_states(units, now),
        **WorkOrder.objects.open().aggregate(
            orders_past_window=Count("pk", filter=Q(window_to__lt=today)), standing_orders=Count("pk")
        ),
        **notices,
        shards_waiting=shards["waiting"],
        shards_begun_again=begun_again,
        oldest_work_at=_oldest(shards["oldest"], notices["oldest_notice_due_at"], _oldest_plan()),
        last_run_started_at=newest and newest.started_at,
        last_run_finished_at=finished and finished.finished_at,
        last_night_at=night and night.started_at,
        **_tasks(now),
        refused_messages=last_seen.waiting_dead_letters(),
        telemetry_silent=last_seen.silent_count(),
        events_waiting=last_seen.undelivered(),
        oldest_event_at=last_seen.oldest_undelivered_at(now),
        webhooks_off=last_seen.given_up_webhooks(),
        disk_free_bytes=shutil.disk_usage(settings.DATA_DIR).free,
    )


def last_task_at() -> datetime | None:
    """Return when a task last wrote down that it began."""
    return TaskRun.objects.aggregate(at=Max("started_at"))["at"]


QUIET: Final = timedelta(seconds=90)
"""The timetable calls for something every fifteen seconds, so that each task that begins is a heartbeat."""


def standstill(queue: QueueState, last_task_at: datetime | None, now: datetime) -> tuple[str, str] | None:
    """Return what stands still, and the remedy; None when all runs, or nothing runs by itself."""
    if not queue.is_wanted or not queue.answers:
        return None
    if not queue.workers:
        return (
            message("No worker runs."),
            message("Start one: celery -A shared.config worker. Nothing is lost: what waits is done then."),
        )
    if (last_task_at is not None and last_task_at >= now - QUIET) or (queue.taken and not queue.waiting):
        return None
    return (
        message("No task has begun lately: the timetable stands still, or the database takes nothing more."),
        message(
            "Start celery -A shared.config beat (one). If it runs: look at the database's log and at the "
            "free space of its disk; all workers may also be busy."
        ),
    )


def oldest_work_at(now: datetime) -> datetime | None:
    """Return since when the oldest piece of work waits: a shard, a notice or a plan of routes."""
    return _oldest(_shards()["oldest"], _notices(now)["oldest_notice_due_at"], _oldest_plan())


def queue_state() -> QueueState:
    """Ask the queue whether it answers and how many pieces of work lie in it, for two seconds at most."""
    if not settings.REDIS_URL:
        return QueueState(is_wanted=False, answers=True, waiting=0, taken=0)
    client = redis.Redis.from_url(
        settings.REDIS_URL, socket_connect_timeout=PATIENCE_S, socket_timeout=PATIENCE_S
    )
    try:
        waiting, taken = int(client.llen("celery")), int(client.hlen("unacked"))
        return QueueState(True, True, waiting, taken, living(client))
    except redis.RedisError:
        return QueueState(is_wanted=True, answers=False)
    finally:
        client.close()


def _states(units: int, now: datetime) -> dict:
    silent = Q(last_read_at__lt=now - timedelta(days=SILENT_DAYS)) | Q(last_read_at=None)
    found = UnitState.objects.aggregate(
        assessed=Count("pk"),
        oldest_assessed_at=Min("assessed_at"),
        silent_meters=Count("pk", filter=silent & ~Q(readiness=ReadinessState.OUT_OF_SERVICE)),
    )
    return {"units_never_assessed": max(units - found.pop("assessed"), 0), **found}


def _notices(now: datetime) -> dict:
    names = ("notices_waiting", "notices_failed", "notices_cut_off")
    if not settings.NOTICES_ON:
        return {**dict.fromkeys(names, 0), "oldest_notice_due_at": None}
    due = Q(state=NoticeState.WAITING, next_try_at__lte=now)
    claimed_long_ago = Q(state=NoticeState.CLAIMED, claimed_at__lte=now - CUT_OFF_AFTER)
    conditions = (Q(state=NoticeState.WAITING), Q(state=NoticeState.FAILED), claimed_long_ago)
    return Notice.objects.aggregate(
        oldest_notice_due_at=Min("next_try_at", filter=due),
        **{name: Count("pk", filter=held) for name, held in zip(names, conditions, strict=True)},
    )


def _shards() -> dict:
    open_shards = AssessmentShard.objects.exclude(state=ShardState.DONE).filter(run__finished_at__isnull=True)
    return open_shards.aggregate(waiting=Count("pk"), oldest=Min("run__started_at"))


def _oldest_plan() -> datetime | None:
    running = RouteProposal.objects.filter(state=ProposalState.RUNNING)
    return running.aggregate(at=Min("made_at"))["at"]


def _oldest(*moments: datetime | None) -> datetime | None:
    return min((at for at in moments if at), default=None)


def _tasks(now: datetime) -> dict:
    of_a_day = TaskRun.objects.filter(started_at__gt=now - timedelta(days=1))
    cut_off = Q(outcome=TaskOutcome.RUNNING, started_at__lt=now - LONGEST_TASK)
    night = Q(name=NIGHT, outcome=TaskOutcome.DONE, started_at__gt=now - LESS_THAN_A_DAY)
    again = of_a_day.exclude(task_id="").order_by().values("task_id")
    backup = TaskRun.objects.filter(name=BACK_UP, outcome=TaskOutcome.DONE).order_by("-started_at").first()
    return {
        "last_task_at": last_task_at(),
        **of_a_day.aggregate(
            tasks_failed_in_a_day=Count("pk", filter=Q(outcome=TaskOutcome.FAILED)),
            tasks_cut_off_in_a_day=Count("pk", filter=cut_off),
            nights_called=Count("pk", filter=night),
        ),
        "tasks_handed_out_again": again.annotate(times=Count("pk")).filter(times__gt=1).count(),
        "last_backup_at": backup and backup.started_at,
    }
