"""The queue and its timetable, readable in one place."""

import logging.config
import os

from celery import Celery
from celery.schedules import crontab
from celery.signals import setup_logging
from django.conf import settings

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shared.config.settings")

app = Celery("tapward", task_cls="shared.config.watched:WatchedTask")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
app.conf.beat_schedule = {
    "assess the fleet at night": {"task": "fleet.tasks.assess_fleet", "schedule": crontab(hour=2, minute=0)},
    "take up shards that were lost": {
        "task": "fleet.tasks.take_up_lost_shards",
        "schedule": crontab(minute="*/5"),
    },
    "learn lives once a month": {
        "task": "fleet.tasks.learn_lives",
        "schedule": crontab(day_of_month=1, hour=1, minute=0),
    },
    "raise work from findings and plans": {
        "task": "scheduling.tasks.raise_work",
        "schedule": crontab(minute="*/15"),
    },
    "tell customers of visits": {
        "task": "scheduling.tasks.tell_customers",
        "schedule": crontab(minute="*/5"),
    },
    "assess what was recorded since": {"task": "fleet.tasks.assess_stale", "schedule": 60.0},
    "forget old records of tasks": {
        "task": "fleet.tasks.tidy_task_runs",
        "schedule": crontab(hour=4, minute=10),
    },
    "tell other programs": {"task": "fleet.tasks.send_webhooks", "schedule": 15.0},
    "notice what fell silent": {"task": "fleet.tasks.note_silence", "schedule": crontab(minute="*/15")},
    "forget old events": {"task": "fleet.tasks.forget_old_events", "schedule": crontab(hour=4, minute=10)},
    "enter revenue": {"task": "scheduling.tasks.enter_revenue", "schedule": crontab(hour=3, minute=30)},
}


@setup_logging.connect
def keep_our_logs(**kwargs):
    """Workers write their lines as the web does: the queue's own form would print arguments."""
    logging.config.dictConfig(settings.LOGGING)
