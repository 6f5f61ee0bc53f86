"""Long work asked for on a page."""

from celery import shared_task
from django.utils import timezone

from scheduling.operations import jobs


@shared_task(name="scheduling.tasks.do_long_job", acks_late=True, soft_time_limit=3600)
def do_long_job(*, job_id: int, **kwargs):
    """Do what somebody asked for on a page: an import, or the fleet assessed and work raised at once."""
    jobs.carry_out(job_id, clock=timezone.now)
