"""Three-line tasks: read the clock, call one service. Each may run twice."""

from celery import shared_task
from django.conf import settings
from django.utils import timezone

from fleet.register.sites import keep_closings
from scheduling.billing import invoicing, revenue
from scheduling.customers import notices, sending
from scheduling.orders import raising
from scheduling.routes import leaving, proposals, publishing


@shared_task(acks_late=True, soft_time_limit=900)
def raise_work(**kwargs):
    """Open what past routes missed and raise work from findings and plans."""
    now = timezone.now()
    proposals.give_up_lost(now=now)
    publishing.release_missed(now=now)
    keep_closings(now=now)
    leaving.end_last_days(today=timezone.localdate(now), now=now)
    raising.raise_work(now=now)


@shared_task(acks_late=True, soft_time_limit=900)
def enter_revenue(**kwargs):
    """Write the prices that escalators bring and enter what was earned up to this month."""
    now = timezone.now()
    invoicing.raise_prices(today=timezone.localdate(now))
    revenue.enter_revenue(through=timezone.localdate(now), now=now)


@shared_task(acks_late=True, soft_time_limit=600)
def tell_customers(**kwargs):
    """Write down what customers are to be told of visits and send what is due, where that is wanted."""
    if settings.NOTICES_ON:
        now = timezone.now()
        notices.write_notices(now=now, rules=notices.NoticeSettings.ours())
        sending.send_notices(now=now)
