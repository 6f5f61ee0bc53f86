"""Three-line tasks: take ids, read the clock, call one service."""

from importlib import import_module

from celery import shared_task
from django.conf import settings
from django.utils import timezone

from fleet.assessment import runs
from fleet.assessment.days import to_days
from fleet.assessment.learning import learn_lives as learn
from fleet.assessment.use_rules import learn_use
from fleet.database import history
from fleet.register import geocoder
from fleet.runs import task_runs
from fleet.telemetry import last_seen
from fleet.webhooks.outbox import forget_old, send_due
from shared.security_log import tell


@shared_task(acks_late=True, soft_time_limit=3600)
def assess_fleet(**kwargs):
    """Cut the fleet into shards and hand each to a worker, once a night."""
    now = timezone.now()
    run = runs.start_night(now, timezone.localdate(now), settings.SHARD_SIZE)
    if run is None:
        return
    for shard_id in run.shards.values_list("id", flat=True):
        assess_shard.delay(shard_id=shard_id)


@shared_task(acks_late=True, soft_time_limit=900)
def assess_shard(*, shard_id: int, **kwargs):
    """Assess one shard unless somebody else has it."""
    runs.assess_claimed(shard_id, timezone.now())


@shared_task(acks_late=True, soft_time_limit=900)
def assess_units(*, unit_ids: list[int], **kwargs):
    """Assess a few treatment units, e.g. after new readings."""
    runs.assess_units(unit_ids, timezone.now())


@shared_task(acks_late=True, soft_time_limit=900)
def assess_stale(**kwargs):
    """Assess the treatment units of which something was recorded since."""
    runs.assess_stale(timezone.now(), settings.SHARD_SIZE)


@shared_task(acks_late=True, soft_time_limit=300)
def take_up_lost_shards(**kwargs):
    """Hand out again the shards whose worker was lost, and finish runs whose last one was."""
    now = timezone.now()
    runs.finish_runs_left_open(now)
    for shard_id in runs.waiting_shards(now):
        assess_shard.delay(shard_id=shard_id)


@shared_task(acks_late=True, soft_time_limit=900)
def seal_history(**kwargs):
    """Seal what was added to history since; the log keeps the head, for ``verify_history``."""
    if history.seal():
        tell("history sealed", head=history.head())


@shared_task(acks_late=True, soft_time_limit=3000)
def learn_lives(**kwargs):
    """Learn the life of every kind of part, and how much use swings, from the fleet."""
    now = timezone.now()
    learn(to_days(now))
    learn_use(now)


@shared_task(acks_late=True, soft_time_limit=300)
def tidy_task_runs(**kwargs):
    """Forget what ran more than two weeks ago, and sessions that are over."""
    task_runs.tidy(timezone.now())
    import_module(settings.SESSION_ENGINE).SessionStore.clear_expired()


@shared_task(acks_late=True, soft_time_limit=600)
def send_webhooks(**kwargs):
    """Tell other programs what waits in the outbox."""
    send_due(timezone.now)


@shared_task(acks_late=True, soft_time_limit=300)
def note_silence(**kwargs):
    """Mark what reported by itself and has fallen silent."""
    last_seen.note_silence(now=timezone.now(), hours=settings.TELEMETRY_SILENT_HOURS)


@shared_task(acks_late=True, soft_time_limit=900)
def geocode_addresses(**kwargs):
    """Ask the geocoder, if there is one, for sites without a place."""
    geocoder.place_by_geocoder(clock=timezone.now)


@shared_task(acks_late=True, soft_time_limit=900)
def forget_old_events(**kwargs):
    """Delete what other programs were told long ago."""
    forget_old(timezone.now())
