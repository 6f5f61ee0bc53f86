"""What tests of notices have in common: a visit to tell of, and a mail server that breaks as told."""

from datetime import timedelta

import pytest
from django.core import mail
from django.core.mail.backends.locmem import EmailBackend
from icalendar import Calendar

from scheduling.customers import notices, sending
from scheduling.customers.notices import NoticeSettings
from scheduling.models import Route, Stop, StopOrder, WorkOrder
from tests import factories as make

RULES = NoticeSettings(timedelta(minutes=30), 20, 8)
AT_ONCE = NoticeSettings(timedelta(), 0, 0)
NOW = make.NOW
DAY = make.TODAY + timedelta(days=3)


def stop_for(count: int = 1, *, day=DAY, **customer) -> Stop:
    """A published stop with orders, at a site whose customer wants to be told."""
    who = make.customer(**{"email": "site@example.invalid"} | customer)
    unit = make.treatment_unit(site=make.site(customer=who))
    orders = [make.work_order(unit) for _ in range(count)]
    route = make.route(make.technician(branch=unit.site.branch), orders[:1], day)
    stop = route.stops.get()
    for order in orders[1:]:
        StopOrder.objects.create(stop=stop, order=order, is_in_force=True)
        WorkOrder.objects.filter(pk=order.pk).update(state="on_route")
    return stop


def write(now=NOW, rules=AT_ONCE) -> int:
    return notices.write_notices(now=now, rules=rules)


def tell(now=NOW) -> list:
    """Write and send, and return what went out this time."""
    before = len(mail.outbox)
    write(now)
    sending.send_notices(now=now)
    return mail.outbox[before:]


def shift(stop: Stop, by: timedelta) -> None:
    Stop.objects.filter(pk=stop.pk).update(
        arrives_at=stop.arrives_at + by, starts_at=stop.starts_at + by, leaves_at=stop.leaves_at + by
    )


def take_off(stop: Stop) -> None:
    """Open the stop's orders, as taking a plan back does."""
    StopOrder.objects.filter(stop=stop).update(is_in_force=False)
    WorkOrder.objects.open().filter(stops__stop=stop).update(state="open")
    Route.objects.filter(pk=stop.route_id).update(is_in_force=False)


def entry_of(message) -> Calendar:
    (part,) = message.attachments
    return Calendar.from_ical(part.get_payload(decode=True))


class Breaks(EmailBackend):
    """A mail server that does what a test says."""

    error: Exception | None = None
    on_open: Exception | None = None
    before = None

    def open(self):
        if Breaks.on_open:
            raise Breaks.on_open
        return True

    def send_messages(self, messages):
        if Breaks.before:
            Breaks.before()
        if Breaks.error:
            raise Breaks.error
        return super().send_messages(messages)


@pytest.fixture(name="server")
def mail_server(settings):
    """Put the mail server in place, whole."""
    settings.EMAIL_BACKEND = f"{__name__}.Breaks"
    Breaks.error = Breaks.on_open = Breaks.before = None
    yield Breaks
    Breaks.error = Breaks.on_open = Breaks.before = None
