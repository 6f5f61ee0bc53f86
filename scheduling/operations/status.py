"""The operations page: what ran, what failed, what is wrong now and what to do about it."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from django.conf import settings
from django.db.models import OuterRef, Q, Subquery
from django.utils.translation import gettext, ngettext

from fleet.models import TaskOutcome, TaskRun
from scheduling.operations.timetable import DUTIES, title_of
from scheduling.operations.watching import LONGEST_TASK, Metrics, numbers, standstill
from shared.translation import translate

RECENT: Final = 25
LITTLE_DISK_BYTES: Final = 1_000_000_000
OLD_EVENT: Final = timedelta(hours=1)
OLD_ASSESSMENT: Final = timedelta(hours=36)
OLD_BACKUP: Final = timedelta(days=2)


@dataclass(frozen=True)
class Alert:
    """One thing that is wrong, and the remedy."""

    tone: str
    what: str
    remedy: str
    since: datetime | None = None


@dataclass(frozen=True)
class RunRow:
    """One thing that runs by itself and how it last went, or one attempt that failed or was cut off."""

    title: str
    tone: str
    word: str
    last_at: datetime | None
    problem: str
    how_often: str = ""
    task_id: str = ""


@dataclass(frozen=True)
class Operations:
    """The whole page."""

    numbers: Metrics
    alerts: list[Alert]
    duties: list[RunRow]
    failed: list[RunRow]

    @property
    def runs_by_itself(self) -> bool:
        return self.numbers.queue.is_wanted


def operations(*, now: datetime, today: date) -> Operations:
    """Return the page in a number of queries that does not grow with what ran."""
    found = numbers(now=now, today=today)
    return Operations(found, _alerts(found), _duties(now), _failed(now))


def _alerts(found: Metrics) -> list[Alert]:
    """Return what is wrong now, the worst first."""
    now, told = found.now, []

    def when(holds: bool, tone: str, what: str, remedy: str, since: datetime | None = None) -> None:
        if holds:
            told.append(Alert(tone, what, remedy, since))

    def old(at: datetime | None, than: timedelta, tone: str, what: str, remedy: str) -> None:
        when(at is not None and at < now - than, tone, what, remedy, at)

    def counted(count: int, what: str, remedy: str, most: int = 0) -> None:
        when(count > most, "watch", what % {"count": f"{count:,}"}, remedy)

    ahead = any(
        at is not None and at > now + timedelta(minutes=5)
        for at in (found.oldest_assessed_at, found.last_run_started_at)
    )
    unsent = found.notices_failed + found.notices_cut_off
    when(
        not found.queue.answers,
        "bad",
        gettext("The queue does not answer, so nothing runs by itself."),
        gettext("Start Redis or look at REDIS_URL. Nothing is lost: work is written down in the database."),
    )
    when(
        found.disk_free_bytes < LITTLE_DISK_BYTES,
        "bad",
        gettext("The disk is nearly full."),
        gettext("Free space or move the data. When it is full, nothing new can be recorded."),
    )
    old(
        found.oldest_work_at,
        timedelta(minutes=settings.OLDEST_WORK_MINUTES),
        "bad",
        gettext("Work waits and nobody takes it."),
        gettext("Start a worker (celery -A shared.config worker), or more of them."),
    )
    when(
        found.units > 0 and found.last_run_finished_at is None,
        "watch",
        gettext("The fleet was never assessed."),
        gettext("Press “Assess and raise work now” on the overview, or start worker and timetable."),
    )
    old(
        found.last_run_finished_at,
        OLD_ASSESSMENT,
        "bad",
        gettext("The fleet was not assessed last night."),
        gettext("Look below at what failed; then assess from the overview."),
    )
    when(
        ahead,
        "bad",
        gettext("The clock of this machine went back, or ran ahead before."),
        gettext("Set the clock by a time server. Then assess from the overview: it puts the dates right."),
    )
    counted(
        found.shards_begun_again,
        ngettext(
            "%(count)s piece of the newest assessment had to be begun again: "
            "the worker was killed or cut off from the database.",
            "%(count)s pieces of the newest assessment had to be begun again: "
            "the worker was killed or cut off from the database.",
            found.shards_begun_again,
        ),
        gettext("Nothing is lost or doubled. If it comes often, look at the machine's memory."),
    )
    counted(
        found.tasks_cut_off_in_a_day,
        ngettext(
            "%(count)s task of the last day did not finish.",
            "%(count)s tasks of the last day did not finish.",
            found.tasks_cut_off_in_a_day,
        ),
        gettext("Their worker was killed. The work restarts by itself; see below."),
    )
    counted(
        found.tasks_failed_in_a_day,
        ngettext(
            "%(count)s task of the last day failed.",
            "%(count)s tasks of the last day failed.",
            found.tasks_failed_in_a_day,
        ),
        gettext("See below what each needs."),
    )
    counted(
        found.tasks_handed_out_again,
        ngettext(
            "%(count)s task of the last day was handed out more than once.",
            "%(count)s tasks of the last day were handed out more than once.",
            found.tasks_handed_out_again,
        ),
        gettext(
            "Nothing is doubled. If no worker was killed, TAPWARD_VISIBILITY_SECONDS is shorter than "
            "the longest task."
        ),
    )
    counted(
        found.nights_called,
        gettext("The timetable called for the night %(count)s times in a day: there is more than one."),
        gettext(
            "The night was begun once and nothing is doubled. Start celery -A shared.config beat on one "
            "machine only."
        ),
        1,
    )
    counted(
        unsent,
        ngettext(
            "Not sent: %(count)s notice to customers.",
            "Not sent: %(count)s notices to customers.",
            unsent,
        ),
        gettext("Open Notices, put the address right and send again."),
    )
    old(
        found.last_backup_at,
        OLD_BACKUP,
        "bad",
        gettext("The last backup is older than two days."),
        gettext("Run manage.py back_up, or look why the machine's timetable did not."),
    )
    when(
        found.last_backup_at is None and found.units > 0,
        "watch",
        gettext("There is no backup yet."),
        gettext("Run manage.py back_up FOLDER, and have the machine do it every night."),
    )
    if found.queue.is_wanted:
        still = standstill(found.queue, found.last_task_at, now)
        when(still is not None, "bad", *map(translate, still or ("", "")), found.last_task_at)
    counted(
        found.refused_messages,
        ngettext(
            "%(count)s telemetry message could not be taken.",
            "%(count)s telemetry messages could not be taken.",
            found.refused_messages,
        ),
        gettext("Open Telemetry, Rejected messages: each says why and what would cure it."),
    )
    counted(
        found.telemetry_silent,
        ngettext(
            "Fell silent: %(count)s meter or set of gauges.",
            "Fell silent: %(count)s meters or sets of gauges.",
            found.telemetry_silent,
        ),
        gettext(
            "Open Telemetry, Last seen; look whether the listener, the broker or the site's line is down."
        ),
    )
    counted(
        found.webhooks_off,
        ngettext(
            "Switched off because deliveries kept failing: %(count)s webhook.",
            "Switched off because deliveries kept failing: %(count)s webhooks.",
            found.webhooks_off,
        ),
        gettext("Open Webhooks, have the receiver fixed, switch it on again. Its events wait."),
    )
    old(
        found.oldest_event_at,
        OLD_EVENT,
        "watch",
        gettext("Another program has received no event for over an hour."),
        gettext("Open Webhooks and look at the tries."),
    )
    return told


def _duties(now: datetime) -> list[RunRow]:
    """Say how each thing last went."""
    newest = TaskRun.objects.filter(name=OuterRef("name")).order_by("-started_at", "-id").values("pk")[:1]
    runs = TaskRun.objects.filter(name__in=[duty.task for duty in DUTIES], pk=Subquery(newest))
    by_name = {run.name: run for run in runs}
    rows = []
    for duty in DUTIES:
        tone, word, at, problem = "off", gettext("Not yet"), None, ""
        if run := by_name.get(duty.task):
            (tone, word), at, problem = _how(run, now), run.ended_at or run.started_at, run.problem
        rows.append(RunRow(duty.title, tone, word, at, problem, how_often=duty.how_often))
    return rows


def _failed(now: datetime) -> list[RunRow]:
    cut_off = Q(outcome=TaskOutcome.RUNNING, started_at__lt=now - LONGEST_TASK)
    over = TaskRun.objects.filter(Q(outcome=TaskOutcome.FAILED) | cut_off).order_by("-started_at", "-id")
    unsaid = gettext("It did not finish: its worker was killed. The work restarts.")
    return [
        RunRow(
            title_of(run.name), *_how(run, now), run.started_at, run.problem or unsaid, task_id=run.task_id
        )
        for run in over[:RECENT]
    ]


def _how(run: TaskRun, now: datetime) -> tuple[str, str]:
    """Return tone and word."""
    if run.outcome == TaskOutcome.DONE:
        return "good", gettext("Done")
    if run.outcome == TaskOutcome.FAILED:
        return "bad", gettext("Failed")
    is_cut_off = run.started_at < now - LONGEST_TASK
    return ("bad", gettext("Cut off")) if is_cut_off else ("info", gettext("Running"))
