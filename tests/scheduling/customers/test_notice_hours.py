"""When notices go out and how they are written, whatever a site is called."""

from datetime import UTC, datetime, timedelta

import pytest
from django.core import mail

from scheduling.customers import sending
from scheduling.customers.notices import NoticeSettings, send_at, told_span
from scheduling.models import Notice
from scheduling.tasks import tell_customers
from tests.scheduling.customers.notice_parts import NOW, RULES, entry_of, stop_for, tell, write

pytestmark = pytest.mark.django_db


def test_a_message_has_one_id_however_often_it_is_made():
    stop_for()
    write()
    notice = Notice.objects.get()
    ids = {sending.mail_of(notice).message()["Message-ID"] for _ in range(2)}
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


def test_while_notices_are_off_nobody_is_written_to(settings, time_machine):
    time_machine.move_to(NOW, tick=False)
    stop_for()
    tell_customers()
    assert not Notice.objects.exists()
    settings.NOTICES_ON, settings.NOTICE_SETTLE_MINUTES = True, 0
    tell_customers()
    tell_customers()
    assert len(mail.outbox) == 1
