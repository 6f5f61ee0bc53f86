"""What runs by itself, in words for people who never see a timetable."""

from dataclasses import dataclass
from datetime import timedelta
from typing import Final


@dataclass(frozen=True)
class Duty:
    """One thing that runs by itself. ``silence`` is how long it may be quiet before somebody should look."""

    task: str
    title: str
    how_often: str
    silence: timedelta


DUTIES: Final = (
    Duty("fleet.tasks.assess_fleet", "Begin the night's assessment", "every night at 2:00",
         timedelta(hours=26)),
    Duty("fleet.tasks.assess_shard", "Assess a shard of the fleet", "after that, shard by shard",
         timedelta(hours=26)),
    Duty("fleet.tasks.take_up_lost_shards", "Take up what a lost worker left", "every 5 minutes",
         timedelta(minutes=20)),
    Duty("scheduling.tasks.raise_work", "Raise work from findings and plans", "every 15 minutes",
         timedelta(minutes=50)),
    Duty("scheduling.tasks.tell_customers", "Tell customers of visits", "every 5 minutes",
         timedelta(minutes=20)),
    Duty("fleet.tasks.send_webhooks", "Tell other programs", "every 15 seconds", timedelta(minutes=10)),
    Duty("fleet.tasks.note_silence", "Notice what fell silent", "every 15 minutes", timedelta(minutes=50)),
    Duty("scheduling.tasks.enter_revenue", "Enter revenue", "every night at 3:30", timedelta(hours=26)),
    Duty("fleet.tasks.tidy_task_runs", "Forget old records of tasks", "every night at 4:10",
         timedelta(hours=26)),
    Duty("fleet.tasks.forget_old_events", "Forget old events of webhooks", "every night at 4:10",
         timedelta(hours=26)),
    Duty("fleet.tasks.learn_lives", "Learn lives and use from the fleet", "on the 1st of a month",
         timedelta(days=32)),
    Duty("nightly", "The whole night in one go", "where no worker runs: by the machine's own timetable",
         timedelta(hours=26)),
    Duty("back_up", "Back up", "by the machine's own timetable", timedelta(days=2)),
)  # fmt: skip
TITLES: Final = {duty.task: duty.title for duty in DUTIES} | {
    "fleet.tasks.assess_units": "Assess a few treatment units",
    "scheduling.tasks.propose_routes": "Work out routes",
    "scheduling.tasks.replan_routes": "Plan again after a change of the day",
    "scheduling.tasks.do_long_job": "An import, or an assessment asked for by hand",
}


def title_of(task: str) -> str:
    """Return a task's name in words; an unknown one by the last word of its own."""
    return TITLES.get(task) or task.rsplit(".", 1)[-1].replace("_", " ").capitalize()
