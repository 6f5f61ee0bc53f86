"""Three-line tasks: read the clock, call one service. Each may run twice."""

from celery import shared_task
from django.conf import settings
from django.utils import timezone

from scheduling.billing import invoicing, revenue
from scheduling.customers import notices, sending
from scheduling.operations import jobs
from scheduling.orders import raising
from scheduling.routes import proposals, publishing, replanning


@shared_task(acks_late=True, soft_time_limit=900)
def raise_work(**kwargs):
    """Open what past routes missed and raise work from findings and plans."""
    now = timezone.now()
    proposals.give_up_lost(now=now)
    publishing.release_missed(now=now)
    raising.raise_work(now=now)


@shared_task(acks_late=True, soft_time_limit=900)
def enter_revenue(**kwargs):
    """Write the prices that escalators bring and enter what was earned up to this month."""
    now = timezone.now()
    invoicing.raise_prices(today=timezone.localdate(now))
    revenue.enter_revenue(through=timezone.localdate(now), now=now)


@shared_task(acks_late=True, soft_time_limit=3900)
def propose_routes(*, proposal_id: int, **kwargs):
    """Work out a proposal that was written down as wanted."""
    proposals.work_out(proposal_id, now=timezone.now())


@shared_task(acks_late=True, soft_time_limit=900)
def replan_routes(*, replan_id: int, **kwargs):
    """Work out a re-plan after a sick call or urgent work."""
    replanning.work_out(replan_id, now=timezone.now())


@shared_task(acks_late=True, soft_time_limit=3600)
def do_long_job(*, job_id: int, **kwargs):
    """Do what somebody asked for on a page: an import, or the fleet assessed and work raised at once."""
    jobs.carry_out(job_id, clock=timezone.now)


@shared_task(acks_late=True, soft_time_limit=600)
def tell_customers(**kwargs):
    """Write down what customers are to be told of visits and send what is due, where that is wanted."""
    if settings.NOTICES_ON:
        now = timezone.now()
        notices.write_notices(now=now, rules=notices.NoticeSettings.ours())
        sending.send_notices(now=now)
