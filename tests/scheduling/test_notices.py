"""Notices to customers: what is told and when, once each, whatever runs twice or dies."""

import smtplib
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta

import pytest
from django.core import mail
from django.core.mail.backends.locmem import EmailBackend
from django.db import connection
from django.urls import reverse
from icalendar import Calendar

from fleet.models import Customer
from scheduling.documents.visit_notice import told_span
from scheduling.models import (
    CloseOut,
    Notice,
    NoticeState,
    Outcome,
    Route,
    Stop,
    StopOrder,
    ToldVisit,
    VisitState,
    WorkOrder,
)
from scheduling.services import notice_sending, notices
from scheduling.services.notices import NoticeSettings, send_at
from scheduling.tasks import tell_customers
from shared.errors import CannotDo
from tests import factories as make

pytestmark = pytest.mark.django_db
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
    notice_sending.send_notices(now=now)
    return mail.outbox[before:]


def shift(stop: Stop, by: timedelta) -> None:
    Stop.objects.filter(pk=stop.pk).update(
        arrives_at=stop.arrives_at + by, starts_at=stop.starts_at + by, leaves_at=stop.leaves_at + by
    )


def take_off(stop: Stop) -> None:
    """Open the stop's orders, as taking a plan back does."""
    StopOrder.objects.filter(stop=stop).update(is_in_force=False)
    WorkOrder.objects.standing().filter(stops__stop=stop).update(state="open")
    Route.objects.filter(pk=stop.route_id).update(is_in_force=False)


def entry_of(message) -> Calendar:
    (part,) = message.attachments
    return Calendar.from_ical(part.get_payload(decode=True))


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
    notice_sending.send_notices(now=NOW)
    assert mail.outbox == []
    take_off(stop)
    write(NOW + timedelta(minutes=10), RULES)
    notice_sending.send_notices(now=NOW + timedelta(hours=12))
    assert mail.outbox == []
    assert [one.state for one in Notice.objects.all()] == [NoticeState.OVERTAKEN]


def test_a_visit_moved_before_its_booking_was_sent_is_told_as_booked_at_the_new_time():
    stop = stop_for()
    write(rules=RULES)
    shift(stop, timedelta(hours=6))
    write(NOW + timedelta(minutes=10), RULES)
    notice_sending.send_notices(now=NOW + timedelta(hours=1))
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
    notice_sending.send_notices(now=NOW)
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


# --- sending, once ---


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


@pytest.fixture
def server(settings):
    """Put the mail server in place, whole."""
    settings.EMAIL_BACKEND = f"{__name__}.Breaks"
    Breaks.error = Breaks.on_open = Breaks.before = None
    yield Breaks
    Breaks.error = Breaks.on_open = Breaks.before = None


def test_a_second_worker_that_comes_while_the_first_sends_finds_nothing(server):
    stop_for()
    write()
    found = []
    server.before = staticmethod(lambda: found.append(_second_worker()))
    assert notice_sending.send_notices(now=NOW) == 1
    assert found == [0]
    assert len(mail.outbox) == 1


def _second_worker() -> int:
    Breaks.before = None
    return notice_sending.send_notices(now=NOW)


def test_whoever_dies_after_the_claim_sends_nothing_twice(server):
    stop_for()
    write()
    server.error = KeyboardInterrupt()
    with pytest.raises(KeyboardInterrupt):
        notice_sending.send_notices(now=NOW)
    server.error = None
    for hours in (1, 10):
        notice_sending.send_notices(now=NOW + timedelta(hours=hours))
    assert mail.outbox == []
    assert Notice.objects.get().state == NoticeState.CLAIMED


def test_a_connection_lost_while_sending_is_left_to_a_person(server):
    stop_for()
    write()
    server.error = smtplib.SMTPServerDisconnected("gone")
    notice_sending.send_notices(now=NOW)
    notice = Notice.objects.get()
    assert (notice.state, notice.problem[:8]) == (NoticeState.CLAIMED, "Cut off:")
    server.error = None
    planner = make.person("planner")
    with pytest.raises(CannotDo, match="settled within 15 minutes"):
        notice_sending.send_again(notice, by=planner, now=NOW + timedelta(minutes=5))
    notice_sending.send_again(notice, by=planner, now=NOW + timedelta(minutes=16))
    assert notice_sending.send_notices(now=NOW + timedelta(minutes=16)) == 1
    notice.refresh_from_db()
    assert (notice.state, notice.resent_by) == (NoticeState.SENT, planner)
    with pytest.raises(CannotDo):
        notice_sending.send_again(notice, by=planner, now=NOW + timedelta(days=1))


def test_a_busy_server_is_tried_again_with_longer_waits_and_then_given_up(server):
    stop_for(day=make.TODAY + timedelta(days=60))
    write()
    server.error = smtplib.SMTPDataError(451, b"try later")
    now, waits = NOW, []
    while (notice := Notice.objects.get()).state == NoticeState.WAITING:
        waits.append((notice.next_try_at - now).total_seconds() / 60)
        now = max(notice.next_try_at, now)
        assert notice_sending.send_notices(now=now - timedelta(seconds=1)) == 0
        notice_sending.send_notices(now=now)
    assert waits == [0, 5, 20, 80, 320, 1280]
    assert (notice.state, notice.tries) == (NoticeState.FAILED, 6)
    assert "try later" in notice.problem


def test_an_address_refused_for_good_fails_at_once(server):
    stop_for()
    write()
    server.error = smtplib.SMTPRecipientsRefused({"site@example.invalid": (550, b"no such mailbox")})
    notice_sending.send_notices(now=NOW)
    assert Notice.objects.get().state == NoticeState.FAILED


def test_one_bad_address_does_not_hold_up_the_others(server, monkeypatch):
    stop_for(email="bad@example.invalid")
    stop_for(email="good@example.invalid")
    write()
    deliver = Breaks.send_messages

    def refuse_one(self, messages):
        if messages[0].to == ["bad@example.invalid"]:
            raise smtplib.SMTPRecipientsRefused({"bad@example.invalid": (550, b"no")})
        return deliver(self, messages)

    monkeypatch.setattr(Breaks, "send_messages", refuse_one)
    assert notice_sending.send_notices(now=NOW) == 1
    assert [message.to for message in mail.outbox] == [["good@example.invalid"]]


def test_a_server_that_can_not_be_reached_costs_no_try(server):
    stop_for()
    write()
    server.on_open = ConnectionRefusedError("nobody there")
    assert notice_sending.send_notices(now=NOW) == 0
    notice = Notice.objects.get()
    assert (notice.state, notice.tries) == (NoticeState.WAITING, 0)
    server.on_open = None
    assert notice_sending.send_notices(now=NOW + timedelta(minutes=6)) == 1


def test_a_message_has_one_id_however_often_it_is_made():
    stop_for()
    write()
    notice = Notice.objects.get()
    ids = {notice_sending.message(notice).message()["Message-ID"] for _ in range(2)}
    assert len(ids) == 1


@pytest.mark.parametrize("name", ["Mill\r\nBcc: all@example.invalid", "Mühle “x”; a,b\\c", "日本", "x" * 150])
def test_no_site_name_breaks_a_message_or_its_entry(name):
    stop = stop_for()
    type(stop.site).objects.filter(pk=stop.site_id).update(name=name)
    (message,) = tell()
    sent = message.message()
    assert sent["Bcc"] is None
    assert "\n" not in message.subject
    (event,) = entry_of(message).walk("VEVENT")
    assert str(event["LOCATION"]).startswith(name.split("\r")[0])


# --- when ---


@pytest.mark.parametrize(
    ("made", "visit", "expected"),
    [
        ("2026-11-02 15:00", "2026-11-05 15:00", "2026-11-02 15:30"),  # 9:00 in Chicago, settled
        ("2026-11-03 02:00", "2026-11-05 15:00", "2026-11-03 14:00"),  # 20:00: quiet until 8:00
        ("2026-11-03 01:31", "2026-11-05 15:00", "2026-11-03 14:00"),  # settles at 20:01
        ("2026-11-03 01:29", "2026-11-05 15:00", "2026-11-03 01:59"),  # settles at 19:59
        ("2026-11-03 13:00", "2026-11-05 15:00", "2026-11-03 14:00"),  # 7:00
        ("2026-11-03 02:00", "2026-11-03 14:30", "2026-11-03 02:00"),  # the visit comes at 8:30: at once
        ("2026-11-02 15:00", "2026-11-02 16:00", "2026-11-02 15:00"),  # the visit comes in an hour: at once
        ("2027-03-14 02:00", "2027-03-16 15:00", "2027-03-14 13:00"),  # the clock goes forward that night
        ("2026-11-01 02:00", "2026-11-05 15:00", "2026-11-01 14:00"),  # and back that night
    ],
)
def test_a_change_settles_and_nobody_is_written_to_at_night(made, visit, expected):
    made, visit, expected = (
        datetime.fromisoformat(text).replace(tzinfo=UTC) for text in (made, visit, expected)
    )
    assert send_at(made, visit, "America/Chicago", RULES) == expected


@pytest.mark.parametrize(("hour", "is_quiet"), [(0, False), (12, False), (13, True), (14, True), (15, False)])
def test_quiet_hours_may_lie_within_a_day(hour, is_quiet):
    rules = NoticeSettings(timedelta(), 13, 15)
    made = datetime(2026, 11, 2, hour, tzinfo=UTC)
    assert (send_at(made, made + timedelta(days=3), "UTC", rules) > made) == is_quiet


@pytest.mark.parametrize(
    ("starts", "zone", "begins"),
    [("09:20", "America/Chicago", "09:00"), ("09:30", "America/Chicago", "09:30"),
     ("09:20", "Asia/Kathmandu", "09:15")],  # 5 h 45 min ahead: 15:05 there, told from 15:00
)  # fmt: skip
def test_the_span_begins_on_a_half_hour_of_the_sites_own_clock(starts, zone, begins):
    at = datetime.fromisoformat(f"2026-11-05 {starts}").replace(tzinfo=UTC)
    begin, end = told_span(at, zone)
    assert begin == datetime.fromisoformat(f"2026-11-05 {begins}").replace(tzinfo=UTC)
    assert begin <= at < end == begin + timedelta(hours=2)


# --- switched off, pages, roles ---


def test_while_notices_are_off_nobody_is_written_to(settings, time_machine):
    time_machine.move_to(NOW, tick=False)
    stop_for()
    tell_customers()
    assert not Notice.objects.exists()
    settings.NOTICES_ON, settings.NOTICE_SETTLE_MINUTES = True, 0
    tell_customers()
    tell_customers()
    assert len(mail.outbox) == 1


def test_the_planner_sees_what_was_told_and_sends_again_what_failed(client, server):
    stop = stop_for()
    write()
    server.error = smtplib.SMTPRecipientsRefused({"site@example.invalid": (550, b"no such mailbox")})
    notice_sending.send_notices(now=NOW)
    client.force_login(make.person("planner"))
    text = client.get(reverse("notices")).content.decode()
    assert stop.site.name in text
    assert "no such mailbox" in text
    pk = Notice.objects.get().pk
    assert "Send again" in client.get(reverse("notice", args=[pk])).content.decode()
    client.post(reverse("send_notice_again", args=[pk]))
    assert Notice.objects.get().state == NoticeState.WAITING
    assert not client.get(reverse("notices"), {"state": "failed"}).context["rows"]


@pytest.mark.parametrize(("role", "status"), [("planner", 200), ("owner", 200), ("technician", 403),
                                              ("integrator", 403)])  # fmt: skip
def test_notices_are_the_planners_and_owners(client, role, status):
    stop_for()
    write()
    pk = Notice.objects.get().pk
    client.force_login(make.person(role))
    assert client.get(reverse("notices")).status_code == status
    assert client.get(reverse("notice", args=[pk])).status_code == status
    again = client.post(reverse("send_notice_again", args=[pk])).status_code
    assert again == (302 if status == 200 else 403)


def test_another_branch_sees_none_of_it(client):
    stop_for()
    write()
    client.force_login(make.person("planner", branch=make.branch()))
    assert not client.get(reverse("notices")).context["rows"]
    assert client.get(reverse("notice", args=[Notice.objects.get().pk])).status_code == 404


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_two_workers_at_once_tell_each_customer_once():
    for _ in range(6):
        stop_for()
    start = threading.Barrier(2)

    def work():
        start.wait(timeout=30)
        try:
            write()
            return notice_sending.send_notices(now=NOW)
        finally:
            connection.close()

    with ThreadPoolExecutor(2) as pool:
        sent = sum(one.result(timeout=60) for one in [pool.submit(work) for _ in range(2)])
    sent += notice_sending.send_notices(now=NOW)
    assert Notice.objects.filter(state=NoticeState.SENT).count() == len(mail.outbox) == sent == 6
    assert ToldVisit.objects.count() == 6
