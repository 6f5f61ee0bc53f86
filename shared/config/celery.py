"""The queue. What runs by itself stands in ``scheduling/operations/timetable.py``."""

import logging.config
import os

from celery import Celery
from celery.signals import beat_init, celeryd_init, heartbeat_sent, setup_logging
from django.conf import settings

from fleet.runs import worker_heartbeat
from scheduling.operations.timetable import beat_schedule

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shared.config.settings")

app = Celery("tapward", task_cls="shared.config.watched:WatchedTask")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()
app.autodiscover_tasks(["scheduling.routes", "scheduling.operations"])
app.conf.beat_schedule = beat_schedule()


@setup_logging.connect
def keep_our_logs(**kwargs):
    """Workers write their lines as the web does: the queue's own form would print arguments."""
    logging.config.dictConfig(settings.LOGGING)


@celeryd_init.connect
@beat_init.connect
def refuse_without_queue(**kwargs):
    """Worker and timetable have nothing to do where tasks run inside the process that sends them."""
    if not settings.REDIS_URL:
        raise SystemExit(
            "REDIS_URL is not set, so there is no queue. Set it as in .env.example; on one machine "
            "without Redis call manage.py nightly from cron instead."
        )


@heartbeat_sent.connect
def tell_that_this_worker_lives(**kwargs):
    """A worker says every few seconds that it lives, whatever its tasks are at."""
    worker_heartbeat.beat()
