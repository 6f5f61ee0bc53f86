"""Notices to customers: what is told, once each, whatever changes before and after."""

from datetime import timedelta

import pytest
from django.core import mail
from icalendar import Calendar

from fleet.models import Customer
from scheduling.customers import sending
from scheduling.models import (
    CloseOut,
    Notice,
    NoticeState,
    Outcome,
    StopOrder,
    ToldVisit,
    VisitState,
    WorkOrder,
)
from tests import factories as make
from tests.scheduling.customers.notice_parts import (
    DAY,
    NOW,
    RULES,
    entry_of,
    shift,
    stop_for,
    take_off,
    tell,
    write,
)

pytestmark = pytest.mark.django_db


def test_a_published_visit_is_told_once_with_place_span_and_caution():
    stop = stop_for(3)
    (message,) = tell()
    assert message.to == ["site@example.invalid"]
    # 9:20 UTC in November is 3:20 in Chicago.
    assert message.subject.startswith("Visit booked: Thursday 5 Nov 2026, between 3:00 and 5:00")
    for told in (stop.site.name, stop.site.address, stop.route.technician.name, "Do not draw"):
        assert told in message.body
    assert tell() == []
    assert tell(NOW + timedelta(hours=5)) == []
    assert Notice.objects.get().state == NoticeState.SENT


def test_the_calendar_entry_has_what_the_standard_asks_for():
    stop_for()
    (message,) = tell()
    (part,) = message.attachments
    raw = part.get_payload(decode=True)
    assert part.get_content_type() == "text/calendar"
    assert part.get_param("method") == "PUBLISH"
    # RFC 5545, 3.1: lines end in CRLF and are at most 75 octets long.
    lines = raw.split(b"\r\n")
    assert lines[-1] == b""
    assert all(len(line) <= 75 and b"\n" not in line for line in lines)
    entry = Calendar.from_ical(raw)
    assert entry["VERSION"] == "2.0"  # 3.7.4
    assert entry["PRODID"]  # 3.7.3
    assert entry["METHOD"] == "PUBLISH"  # RFC 5546, 3.2.1
    (event,) = entry.walk("VEVENT")
    visit = ToldVisit.objects.get()
    assert event["UID"] == str(visit.uid)
    assert event["SEQUENCE"] == 0
    assert event["ORGANIZER"].startswith("mailto:")
    assert event.decoded("DTSTAMP") == NOW
    assert (event.decoded("DTSTART"), event.decoded("DTEND")) == (visit.arrives_from, visit.arrives_until)


def test_a_moved_visit_is_told_under_the_same_entry_with_a_higher_number():
    stop = stop_for()
    (first,) = tell()
    shift(stop, timedelta(hours=6))
    (moved,) = tell(NOW + timedelta(hours=1))
    old, new = (entry_of(message).walk("VEVENT")[0] for message in (first, moved))
    assert moved.subject.startswith("Visit moved")
    assert new["UID"] == old["UID"]
    assert new["SEQUENCE"] == old["SEQUENCE"] + 1
    assert new.decoded("DTSTART") == old.decoded("DTSTART") + timedelta(hours=6)


def test_a_shift_within_the_span_that_was_told_is_not_told():
    stop = stop_for()
    tell()
    shift(stop, timedelta(minutes=70))
    assert tell(NOW + timedelta(hours=1)) == []


def test_a_cancelled_visit_is_told_with_a_cancelling_entry():
    stop = stop_for()
    (first,) = tell()
    take_off(stop)
    (gone,) = tell(NOW + timedelta(hours=1))
    entry = entry_of(gone)
    (event,) = entry.walk("VEVENT")
    assert gone.subject.startswith("Visit cancelled")
    assert (entry["METHOD"], event["STATUS"]) == ("CANCEL", "CANCELLED")
    assert event["UID"] == entry_of(first).walk("VEVENT")[0]["UID"]
    assert event["SEQUENCE"] == 1
    assert tell(NOW + timedelta(hours=2)) == []


def test_a_new_plan_with_the_same_orders_is_a_move_and_not_a_cancellation():
    stop = stop_for()
    order = stop.orders.get().order
    tell()
    take_off(stop)
    make.route(stop.route.technician, [order], DAY + timedelta(days=1))
    (message,) = tell(NOW + timedelta(hours=1))
    assert message.subject.startswith("Visit moved: Friday 6 Nov 2026")
    assert ToldVisit.objects.count() == 1


def test_a_new_plan_with_the_same_time_is_not_told():
    stop = stop_for()
    order = stop.orders.get().order
    tell()
    take_off(stop)
    new = make.route(make.technician(branch=stop.site.branch), [order], DAY).stops.get()
    assert tell(NOW + timedelta(hours=1)) == []
    assert ToldVisit.objects.get().stop == new


def test_a_change_taken_back_before_it_was_sent_is_never_told():
    stop = stop_for()
    assert write(rules=RULES) == 1
    sending.send_notices(now=NOW)
    assert mail.outbox == []
    take_off(stop)
    write(NOW + timedelta(minutes=10), RULES)
    sending.send_notices(now=NOW + timedelta(hours=12))
    assert mail.outbox == []
    assert [one.state for one in Notice.objects.all()] == [NoticeState.OVERTAKEN]


def test_a_visit_moved_before_its_booking_was_sent_is_told_as_booked_at_the_new_time():
    stop = stop_for()
    write(rules=RULES)
    shift(stop, timedelta(hours=6))
    write(NOW + timedelta(minutes=10), RULES)
    sending.send_notices(now=NOW + timedelta(hours=1))
    (message,) = mail.outbox
    assert message.subject.startswith("Visit booked: Thursday 5 Nov 2026, between 9:00 and 11:00")


@pytest.mark.parametrize("given", [{"email": ""}, {"wants_notices": False}])
def test_who_has_no_address_or_wants_none_gets_none_and_the_record_says_so(given):
    stop_for(**given)
    assert tell() == []
    assert Notice.objects.get().state == NoticeState.NOT_WANTED


def test_who_opts_out_while_a_notice_waits_gets_none():
    stop_for()
    write()
    Customer.objects.update(wants_notices=False)
    sending.send_notices(now=NOW)
    assert mail.outbox == []
    assert Notice.objects.get().state == NoticeState.NOT_WANTED


def test_a_visit_that_took_place_is_neither_moved_nor_cancelled():
    stop = stop_for(2)
    tell()
    order = stop.orders.first().order
    CloseOut.objects.create(
        order=order, stop=stop, technician=stop.route.technician, outcome=Outcome.DONE,
        finished_at=NOW, received_at=NOW, minutes=20,
    )  # fmt: skip
    WorkOrder.objects.filter(pk=order.pk).update(state="done", ended_at=NOW)
    assert tell(NOW + timedelta(hours=1)) == []
    take_off(stop)
    assert tell(NOW + timedelta(hours=2)) == []
    assert ToldVisit.objects.get().state == VisitState.OVER


def test_a_visit_whose_time_went_by_is_no_longer_told_of():
    stop = stop_for()
    write(rules=RULES)
    late = stop.leaves_at + timedelta(days=1)
    assert tell(late) == []
    assert Notice.objects.get().state == NoticeState.OVERTAKEN
    assert ToldVisit.objects.get().state == VisitState.OVER


def test_each_stop_of_a_site_is_a_visit_of_its_own():
    stop = stop_for()
    again = make.work_order(stop.orders.get().order.treatment_unit)
    make.route(make.technician(branch=stop.site.branch), [again], DAY + timedelta(days=9))
    assert len(tell()) == 2
    assert ToldVisit.objects.count() == 2


def test_an_order_moved_between_two_visits_of_a_site_tells_nobody_anything():
    stop = stop_for(2)
    other = make.work_order(stop.orders.first().order.treatment_unit)
    later = make.route(stop.route.technician, [other], DAY + timedelta(days=2)).stops.get()
    assert len(tell()) == 2
    StopOrder.objects.filter(pk=stop.orders.last().pk).update(stop=later)
    assert tell(NOW + timedelta(hours=1)) == []
