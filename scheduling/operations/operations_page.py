"""What runs by itself, in words for people who never see a timetable.

The operations page: what ran, what failed, what is wrong now and what to do about it.
"""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from django.conf import settings
from django.db.models import OuterRef, Subquery
from django.utils.translation import gettext, gettext_lazy, ngettext

from fleet.models import TaskOutcome, TaskRun
from scheduling.operations.watching import LONGEST_TASK, Numbers, numbers


@dataclass(frozen=True)
class Duty:
    """One thing that runs by itself. ``silence`` is how long it may be quiet before somebody should look."""

    task: str
    title: str
    how_often: str
    silence: timedelta


DUTIES: Final = (
    Duty(
        "fleet.tasks.assess_fleet",
        gettext_lazy("Begin the night's assessment"),
        gettext_lazy("every night at 2:00"),
        timedelta(hours=26),
    ),
    Duty(
        "fleet.tasks.assess_shard",
        gettext_lazy("Assess a shard of the fleet"),
        gettext_lazy("after that, shard by shard"),
        timedelta(hours=26),
    ),
    Duty(
        "fleet.tasks.take_up_lost_shards",
        gettext_lazy("Take up what a lost worker left"),
        gettext_lazy("every 5 minutes"),
        timedelta(minutes=20),
    ),
    Duty(
        "scheduling.tasks.raise_work",
        gettext_lazy("Raise work from findings and plans"),
        gettext_lazy("every 15 minutes"),
        timedelta(minutes=50),
    ),
    Duty(
        "scheduling.tasks.tell_customers",
        gettext_lazy("Tell customers of visits"),
        gettext_lazy("every 5 minutes"),
        timedelta(minutes=20),
    ),
    Duty(
        "fleet.tasks.send_webhooks",
        gettext_lazy("Tell other programs"),
        gettext_lazy("every 15 seconds"),
        timedelta(minutes=10),
    ),
    Duty(
        "fleet.tasks.note_silence",
        gettext_lazy("Notice what fell silent"),
        gettext_lazy("every 15 minutes"),
        timedelta(minutes=50),
    ),
    Duty(
        "scheduling.tasks.enter_revenue",
        gettext_lazy("Enter revenue"),
        gettext_lazy("every night at 3:30"),
        timedelta(hours=26),
    ),
    Duty(
        "fleet.tasks.assess_stale",
        gettext_lazy("Assess what was recorded since"),
        gettext_lazy("every minute"),
        timedelta(minutes=10),
    ),
    Duty(
        "fleet.tasks.tidy_task_runs",
        gettext_lazy("Forget old records of tasks"),
        gettext_lazy("every night at 4:10"),
        timedelta(hours=26),
    ),
    Duty(
        "fleet.tasks.forget_old_events",
        gettext_lazy("Forget old events of webhooks"),
        gettext_lazy("every night at 4:10"),
        timedelta(hours=26),
    ),
    Duty(
        "fleet.tasks.learn_lives",
        gettext_lazy("Learn lives and use from the fleet"),
        gettext_lazy("on the 1st of a month"),
        timedelta(days=32),
    ),
    Duty(
        "nightly",
        gettext_lazy("The whole night in one go"),
        gettext_lazy("where no worker runs: by the machine's own timetable"),
        timedelta(hours=26),
    ),
    Duty(
        "back_up", gettext_lazy("Back up"), gettext_lazy("by the machine's own timetable"), timedelta(days=2)
    ),
)
TITLES: Final = {duty.task: duty.title for duty in DUTIES} | {
    "fleet.tasks.assess_units": gettext_lazy("Assess a few treatment units"),
    "scheduling.tasks.propose_routes": gettext_lazy("Work out routes"),
    "scheduling.tasks.replan_routes": gettext_lazy("Plan again after a change of the day"),
    "scheduling.tasks.do_long_job": gettext_lazy("An import, or an assessment asked for by hand"),
}


def title_of(task: str) -> str:
    """Return a task's name in words; an unknown one by the last word of its own."""
    return TITLES.get(task) or task.rsplit(".", 1)[-1].replace("_", " ").capitalize()


RECENT: Final = 25
LITTLE_DISK_BYTES: Final = 1_000_000_000
OLD_EVENT: Final = timedelta(hours=1)
OLD_ASSESSMENT: Final = timedelta(hours=36)


@dataclass(frozen=True)
class Trouble:
    """One thing that is wrong, and the remedy."""

    tone: str
    what: str
    remedy: str
    since: datetime | None = None


@dataclass(frozen=True)
class DutyRow:
    """One thing that runs by itself, with how it last went."""

    title: str
    how_often: str
    tone: str
    word: str
    last_at: datetime | None
    problem: str


@dataclass(frozen=True)
class FailedRow:
    """One attempt that failed or was cut off."""

    title: str
    at: datetime
    word: str
    problem: str
    task_id: str


@dataclass(frozen=True)
class Operations:
    """The whole page."""

    numbers: Numbers
    troubles: list[Trouble]
    duties: list[DutyRow]
    failed: list[FailedRow]
    runs_by_itself: bool


def operations(*, now: datetime, today: date) -> Operations:
    """Return the page in a number of queries that does not grow with what ran."""
    found = numbers(now=now, today=today)
    duties = _duties(now)
    runs_by_itself = found.queue.is_wanted
    return Operations(
        numbers=found,
        troubles=troubles(found, now) + (_silent(now) if runs_by_itself else []) + _outside(found, now),
        duties=duties,
        failed=_failed(now),
        runs_by_itself=runs_by_itself,
    )


def troubles(found: Numbers, now: datetime) -> list[Trouble]:
    """Return what is wrong now, the worst first."""
    unsent = found.notices_failed + found.notices_cut_off
    told: list[Trouble | None] = [
        _if(
            not found.queue.answers,
            "bad",
            gettext("The queue does not answer, so nothing runs by itself."),
            gettext(
                "Start Redis or look at REDIS_URL. Nothing is lost: work is written down in the database."
            ),
        ),
        _if(
            found.disk_free_bytes < LITTLE_DISK_BYTES,
            "bad",
            gettext("The disk is nearly full."),
            gettext("Free space or move the data. When it is full, nothing new can be recorded."),
        ),
        _if(
            _is_old(found.oldest_work_at, now, timedelta(minutes=settings.OLDEST_WORK_MINUTES)),
            "bad",
            gettext("Work waits and nobody takes it."),
            gettext("Start a worker (celery -A shared.config worker), or more of them."),
            found.oldest_work_at,
        ),
        _if(
            found.units > 0 and found.last_run_finished_at is None,
            "watch",
            gettext("The fleet was never assessed."),
            gettext("Press “Assess and raise work now” on the overview, or start worker and timetable."),
        ),
        _if(
            _is_old(found.last_run_finished_at, now, OLD_ASSESSMENT),
            "bad",
            gettext("The fleet was not assessed last night."),
            gettext("Look below at what failed; then assess from the overview."),
            found.last_run_finished_at,
        ),
        _if(
            _is_ahead(found.oldest_assessed_at, now) or _is_ahead(found.last_run_started_at, now),
            "bad",
            gettext("The clock of this machine went back, or ran ahead before."),
            gettext(
                "Set the clock by a time server. Then assess from the overview: it puts the dates right."
            ),
        ),
        _if(
            found.shards_begun_again > 0,
            "watch",
            _counted(
                ngettext(
                    "%(count)s piece of the newest assessment had to be begun again: "
                    "the worker was killed or cut off from the database.",
                    "%(count)s pieces of the newest assessment had to be begun again: "
                    "the worker was killed or cut off from the database.",
                    found.shards_begun_again,
                ),
                found.shards_begun_again,
            ),
            gettext("Nothing is lost or doubled. If it comes often, look at the machine's memory."),
        ),
        _if(
            found.tasks_cut_off_in_a_day > 0,
            "watch",
            _counted(
                ngettext(
                    "%(count)s task of the last day never said that it was over.",
                    "%(count)s tasks of the last day never said that it was over.",
                    found.tasks_cut_off_in_a_day,
                ),
                found.tasks_cut_off_in_a_day,
            ),
            gettext("Their worker was killed. The work is taken up again by itself; see below."),
        ),
        _if(
            found.tasks_failed_in_a_day > 0,
            "watch",
            _counted(
                ngettext(
                    "%(count)s task of the last day failed.",
                    "%(count)s tasks of the last day failed.",
                    found.tasks_failed_in_a_day,
                ),
                found.tasks_failed_in_a_day,
            ),
            gettext("See below what each needs."),
        ),
        _if(
            found.tasks_handed_out_again > 0,
            "watch",
            _counted(
                ngettext(
                    "%(count)s task of the last day was handed out more than once.",
                    "%(count)s tasks of the last day were handed out more than once.",
                    found.tasks_handed_out_again,
                ),
                found.tasks_handed_out_again,
            ),
            gettext(
                "Nothing is doubled. If no worker was killed, TAPWARD_VISIBILITY_SECONDS is shorter than "
                "the longest task."
            ),
        ),
        _if(
            found.nights_called > 1,
            "watch",
            _counted(
                gettext(
                    "The timetable called for the night %(count)s times in a day: there is more than one."
                ),
                found.nights_called,
            ),
            gettext(
                "The night was begun once and nothing is doubled. Start celery -A shared.config beat on one "
                "machine only."
            ),
        ),
        _if(
            unsent > 0,
            "watch",
            _counted(
                ngettext(
                    "Not sent: %(count)s notice to customers.",
                    "Not sent: %(count)s notices to customers.",
                    unsent,
                ),
                unsent,
            ),
            gettext("Open Notices, put the address right and send again."),
        ),
        _if(
            _is_old(found.last_backup_at, now, timedelta(days=2)),
            "bad",
            gettext("The last backup is older than two days."),
            gettext("Run manage.py back_up, or look why the machine's timetable did not."),
            found.last_backup_at,
        ),
        _if(
            found.last_backup_at is None and found.units > 0,
            "watch",
            gettext("There is no backup yet."),
            gettext("Run manage.py back_up FOLDER, and have the machine do it every night."),
        ),
    ]
    return [one for one in told if one]


def _outside(found: Numbers, now: datetime) -> list[Trouble]:
    """Say what is wrong with telemetry and webhooks."""
    refused, silent, off = found.refused_messages, found.telemetry_silent, found.webhooks_off
    oldest = found.oldest_event_at
    told = [
        _if(
            refused > 0,
            "watch",
            _counted(
                ngettext(
                    "%(count)s telemetry message could not be taken.",
                    "%(count)s telemetry messages could not be taken.",
                    refused,
                ),
                refused,
            ),
            gettext("Open Telemetry, Refused messages: each says why and what would cure it."),
        ),
        _if(
            silent > 0,
            "watch",
            _counted(
                ngettext(
                    "Fell silent: %(count)s meter or set of gauges.",
                    "Fell silent: %(count)s meters or sets of gauges.",
                    silent,
                ),
                silent,
            ),
            gettext(
                "Open Telemetry, Last heard; look whether the listener, the broker or the site's "
                "line is down."
            ),
        ),
        _if(
            off > 0,
            "watch",
            _counted(
                ngettext(
                    "Switched off because deliveries kept failing: %(count)s webhook.",
                    "Switched off because deliveries kept failing: %(count)s webhooks.",
                    off,
                ),
                off,
            ),
            gettext("Open Webhooks, have the receiver mended, switch it on again. Its events wait."),
        ),
        _if(
            _is_old(oldest, now, OLD_EVENT),
            "watch",
            gettext("Another program was not told for over an hour."),
            gettext("Open Webhooks and look at the tries."),
            oldest,
        ),
    ]
    return [one for one in told if one]


def _counted(sentence: str, count: int) -> str:
    return sentence % {"count": f"{count:,}"}


def _if(holds: bool, tone: str, what: str, remedy: str, since: datetime | None = None) -> Trouble | None:
    return Trouble(tone, what, remedy, since) if holds else None


def _is_old(at: datetime | None, now: datetime, than: timedelta) -> bool:
    return at is not None and at < now - than


def _is_ahead(at: datetime | None, now: datetime) -> bool:
    return at is not None and at > now + timedelta(minutes=5)


def _silent(now: datetime) -> list[Trouble]:
    """Say when the timetable stands still: its most frequent duty was not begun for long."""
    duty = next(one for one in DUTIES if one.task == "fleet.tasks.take_up_lost_shards")
    last = TaskRun.objects.filter(name=duty.task).order_by("-started_at").values_list("started_at", flat=True)
    at = last.first()
    if at is not None and at > now - duty.silence:
        return []
    return [
        Trouble(
            "bad",
            gettext("The timetable stands still, or no worker runs."),
            gettext("Start celery -A shared.config beat (one) and a worker."),
            at,
        )
    ]


def _duties(now: datetime) -> list[DutyRow]:
    """Say how each thing last went."""
    newest = TaskRun.objects.filter(name=OuterRef("name")).order_by("-started_at", "-id").values("pk")[:1]
    names = [duty.task for duty in DUTIES]
    runs = TaskRun.objects.filter(name__in=names, pk=Subquery(newest))
    by_name = {run.name: run for run in runs}
    rows = []
    for duty in DUTIES:
        run = by_name.get(duty.task)
        tone, word = _word(run, now) if run else ("off", gettext("Not yet"))
        rows.append(
            DutyRow(
                duty.title,
                duty.how_often,
                tone,
                word,
                run and (run.ended_at or run.started_at),
                run.problem if run else "",
            )
        )
    return rows


def _word(run: TaskRun, now: datetime) -> tuple[str, str]:
    if run.outcome == TaskOutcome.DONE:
        return "good", gettext("Done")
    if run.outcome == TaskOutcome.FAILED:
        return "bad", gettext("Failed")
    return (
        ("bad", gettext("Cut off")) if run.started_at < now - LONGEST_TASK else ("info", gettext("Running"))
    )


def _failed(now: datetime) -> list[FailedRow]:
    over = TaskRun.objects.filter(outcome=TaskOutcome.FAILED) | TaskRun.objects.filter(
        outcome=TaskOutcome.RUNNING, started_at__lt=now - LONGEST_TASK
    )
    return [
        FailedRow(
            title_of(run.name),
            run.started_at,
            _word(run, now)[1],
            run.problem
            or gettext("It never said that it ended: its worker was killed. The work is taken up again."),
            run.task_id,
        )
        for run in over.order_by("-started_at", "-id")[:RECENT]
    ]
