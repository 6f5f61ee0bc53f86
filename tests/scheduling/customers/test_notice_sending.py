"""Sending notices: whatever runs twice, breaks or dies, nobody is told twice."""

import smtplib
import threading
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from django.core import mail
from django.db import connection

from scheduling.customers import sending
from scheduling.models import Notice, NoticeState, ToldVisit
from shared.errors import DomainError
from tests import factories as make
from tests.scheduling.customers.notice_parts import (
    NOW,
    Breaks,
    mail_server,  # noqa: F401
    stop_for,
    write,
)

pytestmark = pytest.mark.django_db


def test_a_second_worker_that_comes_while_the_first_sends_finds_nothing(server):
    stop_for()
    write()
    found = []
    server.before = staticmethod(lambda: found.append(_second_worker()))
    assert sending.send_notices(now=NOW) == 1
    assert found == [0]
    assert len(mail.outbox) == 1


def _second_worker() -> int:
    Breaks.before = None
    return sending.send_notices(now=NOW)


def test_whoever_dies_after_the_claim_sends_nothing_twice(server):
    stop_for()
    write()
    server.error = KeyboardInterrupt()
    with pytest.raises(KeyboardInterrupt):
        sending.send_notices(now=NOW)
    server.error = None
    for hours in (1, 10):
        sending.send_notices(now=NOW + timedelta(hours=hours))
    assert mail.outbox == []
    assert Notice.objects.get().state == NoticeState.CLAIMED


def test_a_connection_lost_while_sending_is_left_to_a_person(server):
    stop_for()
    write()
    server.error = smtplib.SMTPServerDisconnected("gone")
    sending.send_notices(now=NOW)
    notice = Notice.objects.get()
    assert (notice.state, notice.problem[:8]) == (NoticeState.CLAIMED, "Cut off:")
    server.error = None
    planner = make.person("planner")
    with pytest.raises(DomainError, match="settled within 15 minutes"):
        sending.send_again(notice, by=planner, now=NOW + timedelta(minutes=5))
    sending.send_again(notice, by=planner, now=NOW + timedelta(minutes=16))
    assert sending.send_notices(now=NOW + timedelta(minutes=16)) == 1
    notice.refresh_from_db()
    assert (notice.state, notice.resent_by) == (NoticeState.SENT, planner)
    with pytest.raises(DomainError):
        sending.send_again(notice, by=planner, now=NOW + timedelta(days=1))


def test_a_busy_server_is_tried_again_with_longer_waits_and_then_given_up(server):
    stop_for(day=make.TODAY + timedelta(days=60))
    write()
    server.error = smtplib.SMTPDataError(451, b"try later")
    now, waits = NOW, []
    while (notice := Notice.objects.get()).state == NoticeState.WAITING:
        waits.append((notice.next_try_at - now).total_seconds() / 60)
        now = max(notice.next_try_at, now)
        assert sending.send_notices(now=now - timedelta(seconds=1)) == 0
        sending.send_notices(now=now)
    assert waits == [0, 5, 20, 80, 320, 1280]
    assert (notice.state, notice.tries) == (NoticeState.FAILED, 6)
    assert "try later" in notice.problem


def test_an_address_refused_for_good_fails_at_once(server):
    stop_for()
    write()
    server.error = smtplib.SMTPRecipientsRefused({"site@example.invalid": (550, b"no such mailbox")})
    sending.send_notices(now=NOW)
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
    assert sending.send_notices(now=NOW) == 1
    assert [message.to for message in mail.outbox] == [["good@example.invalid"]]


def test_a_server_that_can_not_be_reached_costs_no_try(server):
    stop_for()
    write()
    server.on_open = ConnectionRefusedError("nobody there")
    assert sending.send_notices(now=NOW) == 0
    notice = Notice.objects.get()
    assert (notice.state, notice.tries) == (NoticeState.WAITING, 0)
    server.on_open = None
    assert sending.send_notices(now=NOW + timedelta(minutes=6)) == 1


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
            return sending.send_notices(now=NOW)
        finally:
            connection.close()

    with ThreadPoolExecutor(2) as pool:
        sent = sum(one.result(timeout=60) for one in [pool.submit(work) for _ in range(2)])
    sent += sending.send_notices(now=NOW)
    assert Notice.objects.filter(state=NoticeState.SENT).count() == len(mail.outbox) == sent == 6
    assert ToldVisit.objects.count() == 6
