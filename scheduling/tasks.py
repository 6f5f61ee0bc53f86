"""Three-line tasks: read the clock, call one service. Each may run twice."""

from celery import shared_task
from django.utils import timezone

from scheduling.services import revenue, routes, work_orders


@shared_task(acks_late=True, soft_time_limit=900)
def raise_work(**kwargs):
    """Open what past routes missed and raise work from findings and plans."""
    now = timezone.now()
    routes.release_missed(now=now)
    work_orders.raise_work(now=now)


@shared_task(acks_late=True, soft_time_limit=900)
def enter_revenue(**kwargs):
    """Enter what was earned up to this month."""
    now = timezone.now()
    revenue.enter_revenue(through=timezone.localdate(now), now=now)


@shared_task(acks_late=True, soft_time_limit=3900)
def propose_routes(*, proposal_id: int, **kwargs):
    """Work out a proposal that was written down as wanted."""
    routes.work_out(proposal_id, now=timezone.now())
