"""The page of notices, and who may see it."""

import smtplib

import pytest
from django.urls import reverse

from scheduling.customers import sending
from scheduling.models import Notice, NoticeState
from tests import factories as make
from tests.scheduling.customers.notice_parts import (
    NOW,
    mail_server,  # noqa: F401
    stop_for,
    write,
)

pytestmark = pytest.mark.django_db


def test_the_planner_sees_what_was_told_and_sends_again_what_failed(client, server):
    stop = stop_for()
    write()
    server.error = smtplib.SMTPRecipientsRefused({"site@example.invalid": (550, b"no such mailbox")})
    sending.send_notices(now=NOW)
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
