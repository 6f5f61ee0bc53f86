"""Who left, or whose password may be known elsewhere: whatever opened by their log-in opens no more."""

import io

import pytest
from django.core.management import call_command
from django.test import Client
from django.urls import reverse

from api.tokens import make_token
from fleet.models import AuditEntry, Webhook
from scheduling.customers import calendars
from shared.roles import Permission
from tests import factories as make

pytestmark = pytest.mark.django_db
PASSWORD = "copper kettle upstairs"


class Keys:
    """Everything that opens something for one person."""

    def __init__(self, role: str) -> None:
        self.person = make.person(role)
        self.person.set_password(PASSWORD)
        self.person.save()
        self.client = Client()
        self.client.post(reverse("log_in"), {"username": self.person.username, "password": PASSWORD})
        self.technician = make.technician(person=self.person)
        self.secret = calendars.new_secret(self.technician, by=self.person, now=make.NOW)
        self.hook = Webhook.objects.create(
            name=f"books of {role}", url="https://example.com/", made_at=make.NOW, made_by=self.person
        )
        _, self.token = make_token(
            self.person, name=f"hub of {role}", permissions=[Permission.SEE_FLEET], days=30, now=make.NOW
        )

    def open(self) -> list[str]:
        """Return which of them still open."""
        headers = {"Authorization": f"Bearer {self.token}"}
        found = {
            "session": self.client.get(reverse("own_log_in")).status_code == 200,
            "token": Client().get("/api/sites", headers=headers).status_code == 200,
            "calendar": Client().get(reverse("calendar_file", args=[self.secret])).status_code == 200,
            "webhook": Webhook.objects.get(pk=self.hook.pk).is_on,
        }
        return [name for name, is_open in found.items() if is_open]


@pytest.fixture
def _now(time_machine):
    time_machine.move_to(make.NOW, tick=False)


ALL = ["session", "token", "calendar", "webhook"]


@pytest.mark.usefixtures("_now")
@pytest.mark.parametrize("wanted", [["shut"], ["password"], ["password", "shut"]])
def test_every_key_of_the_person_ends_and_is_listed_and_nobody_elses(monkeypatch, wanted):
    monkeypatch.setenv("TAPWARD_NEW_PASSWORD", "seven herons wade slowly")
    left, stays = Keys("planner"), Keys("owner")
    assert left.open() == stays.open() == ALL
    out = io.StringIO()
    call_command("reset_log_in", left.person.username, stdout=out, **dict.fromkeys(wanted, True))
    assert left.open() == []
    assert stays.open() == ALL
    for told in ("1 session", "token revoked: hub of planner", "webhook switched off: books of planner",
                 f"calendar switched off: {left.technician.name}"):  # fmt: skip
        assert told in out.getvalue()
    assert "owner" not in out.getvalue()
    about = dict(AuditEntry.objects.filter(by=None).values_list("what", "about"))
    assert about["token revoked"] == "hub of planner"
    assert about["calendar switched off"] == left.technician.name
    assert about["webhook switched off"] == "books of planner"


@pytest.mark.usefixtures("_now")
def test_who_shuts_somebody_out_on_the_page_is_shown_what_ended(client):
    left = Keys("planner")
    client.force_login(make.person("owner"))
    page = client.post(reverse("shut_person", args=[left.person.username]), follow=True).content.decode()
    assert left.open() == []
    for told in ("sessions: 1", "token revoked: hub of planner", "webhook switched off: books of planner",
                 f"calendar switched off: {left.technician.name}", "pages kept on a phone"):  # fmt: skip
        assert told in page


@pytest.mark.usefixtures("_now")
def test_a_lost_phone_ends_sessions_only():
    keys = Keys("planner")
    call_command("reset_log_in", keys.person.username, second_factor=True, stdout=io.StringIO())
    assert keys.open() == ["token", "calendar", "webhook"]


@pytest.mark.usefixtures("_now")
def test_a_log_in_shut_otherwise_opens_no_calendar():
    keys = Keys("planner")
    keys.person.is_active = False
    keys.person.save()
    assert keys.open() == ["webhook"]
