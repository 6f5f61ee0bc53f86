"""Planning asked for on a page. Names of tasks are kept: runs are written down under them."""

from celery import shared_task
from django.utils import timezone

from scheduling.routes import proposals, replanning


@shared_task(name="scheduling.tasks.propose_routes", acks_late=True, soft_time_limit=3900)
def propose_routes(*, proposal_id: int, **kwargs):
    """Work out a proposal that was written down as wanted."""
    proposals.work_out(proposal_id, now=timezone.now())


@shared_task(name="scheduling.tasks.replan_routes", acks_late=True, soft_time_limit=900)
def replan_routes(*, replan_id: int, **kwargs):
    """Work out a re-plan after a sick call or urgent work."""
    replanning.work_out(replan_id, now=timezone.now())
