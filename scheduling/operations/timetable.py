"""What runs by itself: one line for each task, for the timetable and in words for people."""

from dataclasses import dataclass
from typing import Any, Final

from celery.schedules import crontab
from django.utils.text import format_lazy
from django.utils.translation import gettext_lazy


@dataclass(frozen=True)
class ScheduledTask:
    """One thing that runs by itself; without ``schedule`` something else begins it."""

    task: str
    title: str
    how_often: str
    schedule: crontab | float | None = None


def _minutes(task: str, title: str, every: int) -> ScheduledTask:
    words = format_lazy(gettext_lazy("every {minutes} minutes"), minutes=every)
    return ScheduledTask(task, title, words, crontab(minute=f"*/{every}"))


def _nightly(task: str, title: str, hour: int, minute: int) -> ScheduledTask:
    words = format_lazy(gettext_lazy("every night at {time}"), time=f"{hour}:{minute:02}")
    return ScheduledTask(task, title, words, crontab(hour=hour, minute=minute))


HEARTBEAT: Final = "fleet.tasks.take_up_lost_shards"
NIGHT: Final = "fleet.tasks.assess_fleet"
BACK_UP: Final = "back_up"
DUTIES: Final = (
    _nightly(NIGHT, gettext_lazy("Begin the night's assessment"), 2, 0),
    ScheduledTask(
        "fleet.tasks.assess_shard",
        gettext_lazy("Assess a shard of the fleet"),
        gettext_lazy("after that, shard by shard"),
    ),
    _minutes(HEARTBEAT, gettext_lazy("Take up what a lost worker left"), 5),
    _minutes("scheduling.tasks.raise_work", gettext_lazy("Raise work from findings and plans"), 15),
    _minutes("scheduling.tasks.tell_customers", gettext_lazy("Tell customers of visits"), 5),
    ScheduledTask(
        "fleet.tasks.send_webhooks",
        gettext_lazy("Tell other programs"),
        gettext_lazy("every 15 seconds"),
        15.0,
    ),
    _minutes("fleet.tasks.note_silence", gettext_lazy("Notice what fell silent"), 15),
    _minutes("fleet.tasks.geocode_addresses", gettext_lazy("Ask the geocoder for addresses"), 5),
    _minutes("fleet.tasks.seal_history", gettext_lazy("Seal history"), 5),
    _nightly("scheduling.tasks.enter_revenue", gettext_lazy("Enter revenue"), 3, 30),
    ScheduledTask(
        "fleet.tasks.assess_stale",
        gettext_lazy("Assess what was recorded since"),
        gettext_lazy("every minute"),
        60.0,
    ),
    _nightly("fleet.tasks.tidy_task_runs", gettext_lazy("Forget old records of tasks"), 4, 10),
    _nightly("fleet.tasks.forget_old_events", gettext_lazy("Forget old events of webhooks"), 4, 10),
    ScheduledTask(
        "fleet.tasks.learn_lives",
        gettext_lazy("Learn lives and use from the fleet"),
        gettext_lazy("on the 1st of a month"),
        crontab(day_of_month=1, hour=1, minute=0),
    ),
    ScheduledTask(
        "nightly",
        gettext_lazy("The whole night in one go"),
        gettext_lazy("where no worker runs: by the machine's own timetable"),
    ),
    ScheduledTask(BACK_UP, gettext_lazy("Back up"), gettext_lazy("by the machine's own timetable")),
)
TITLES: Final = {duty.task: duty.title for duty in DUTIES} | {
    "fleet.tasks.assess_units": gettext_lazy("Assess a few treatment units"),
    "scheduling.tasks.propose_routes": gettext_lazy("Work out routes"),
    "scheduling.tasks.replan_routes": gettext_lazy("Plan again after a change of the day"),
    "scheduling.tasks.do_long_job": gettext_lazy("An import, or an assessment asked for by hand"),
}


def beat_schedule() -> dict[str, dict[str, Any]]:
    """Return the timetable in the queue's own form."""
    return {duty.task: {"task": duty.task, "schedule": duty.schedule} for duty in DUTIES if duty.schedule}


def title_of(task: str) -> str:
    """Return a task's name in words; an unknown one by the last word of its own."""
    return TITLES.get(task) or task.rsplit(".", 1)[-1].replace("_", " ").capitalize()
