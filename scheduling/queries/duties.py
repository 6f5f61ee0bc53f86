"""What runs by itself, in words for people who never see a timetable."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from django.utils.translation import gettext_lazy


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
        "fleet.tasks.roll_up_readings",
        gettext_lazy("Roll up old days of readings"),
        gettext_lazy("every night at 4:30"),
        timedelta(hours=26),
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
