"""The queue with a timetable that calls every second, to see what two timetables at once do."""

from shared.config.celery import app

app.conf.beat_schedule = {
    "night": {"task": "fleet.tasks.assess_fleet", "schedule": 1.0},
    "lost": {"task": "fleet.tasks.take_up_lost_shards", "schedule": 1.0},
    "raise": {"task": "scheduling.tasks.raise_work", "schedule": 1.0},
}
