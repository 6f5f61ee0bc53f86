"""Log-ins on pages: made, invited by a link that works once, changed, shut and opened; never oneself."""

import pytest
from django.contrib.sessions.models import Session
from django.urls import reverse
from django.utils import timezone

from api.models import ApiToken
from api.tokens import make_token
from fleet.models import AuditEntry, Person
from shared.roles import Permission
from tests import factories as make

pytestmark = pytest.mark.django_db
PASSWORD = "a river runs north of 41"


@pytest.fixture
def owner():
    return make.person("owner", username="chief")


@pytest.fixture
def desk(client, owner):
    client.force_login(owner)
    return client


def link_of(answer):
    return answer.context["address"].removeprefix("http://testserver")


def test_a_newcomer_sets_a_password_by_the_link_once_and_logs_in(desk):
    given = {"username": "mara", "first_name": "Mara", "role": "technician"}
    link = link_of(desk.post(reverse("new_person"), given))
    assert not Person.objects.get(username="mara").has_usable_password()
    desk.logout()
    form = desk.get(link, follow=True)
    answer = desk.post(form.request["PATH_INFO"], {"new_password1": PASSWORD, "new_password2": PASSWORD})
    assert answer.headers["Location"] == reverse("log_in")
    assert desk.login(username="mara", password=PASSWORD)
    desk.logout()
    assert "has been used" in desk.get(link, follow=True).content.decode()
    told = " ".join(AuditEntry.objects.values_list("what", flat=True))
    assert "log-in made" in told
    assert "password changed" in told
    assert link.split("/")[-2] not in " ".join(AuditEntry.objects.values_list("detail", flat=True))


def test_a_weak_password_is_refused_by_the_link_too(desk):
    link = link_of(desk.post(reverse("new_person"), {"username": "mara", "role": "technician"}))
    form = desk.get(link, follow=True)
    answer = desk.post(form.request["PATH_INFO"], {"new_password1": "12345678", "new_password2": "12345678"})
    assert answer.context["form"].errors
    assert not Person.objects.get(username="mara").has_usable_password()


def test_shut_out_ends_sessions_and_tokens_and_the_link_and_open_again_asks_for_a_new_password(desk, client):
    mara = make.person("planner", username="mara", password=PASSWORD)
    link = link_of(desk.post(reverse("invite_person", args=["mara"])))
    make_token(mara, name="Till", days=30, permissions=[Permission.SEE_FLEET], now=timezone.now())
    other = type(client)()
    other.force_login(mara)
    before = Session.objects.count()
    desk.post(reverse("shut_person", args=["mara"]))
    assert Session.objects.count() == before - 1
    assert not ApiToken.objects.filter(revoked_at=None).exists()
    assert "has been used" in desk.get(link, follow=True).content.decode()
    assert desk.post(reverse("invite_person", args=["mara"])).status_code == 302
    desk.post(reverse("open_person", args=["mara"]))
    mara.refresh_from_db()
    assert mara.is_active
    assert not mara.has_usable_password()


def test_nobody_shuts_or_demotes_oneself_nor_the_last_owner(desk, owner):
    second = make.person("owner", username="second")
    desk.post(reverse("shut_person", args=["chief"]))
    answer = desk.post(reverse("person", args=["chief"]), {"role": "planner"})
    assert answer.context["form"].errors["role"]
    owner.refresh_from_db()
    assert (owner.is_active, owner.role) == (True, "owner")
    desk.post(reverse("person", args=["second"]), {"role": "planner"})
    second.refresh_from_db()
    assert second.role == "planner"
    assert "role: owner → planner" in AuditEntry.objects.get(what="log-in changed").detail


def test_a_taken_name_is_refused_whatever_its_capitals(desk):
    make.person("planner", username="Mara")
    answer = desk.post(reverse("new_person"), {"username": "mara", "role": "technician"})
    assert answer.context["form"].errors["username"]


def test_an_owner_of_a_branch_gives_and_sees_log_ins_of_that_branch_only(client):
    here, there = make.branch(), make.branch()
    make.person("planner", username="away", branch=there)
    client.force_login(make.person("owner", branch=here))
    assert client.get(reverse("person", args=["away"])).status_code == 404
    assert client.post(reverse("shut_person", args=["away"])).status_code == 404
    given = {"username": "new", "role": "planner", "branch": there.pk}
    assert client.post(reverse("new_person"), given).status_code == 422
    assert client.post(reverse("new_person"), given | {"branch": ""}).status_code == 422
    client.post(reverse("new_person"), given | {"branch": here.pk})
    assert Person.objects.get(username="new").branch == here


@pytest.mark.parametrize("role", ["planner", "technician", "integrator"])
@pytest.mark.parametrize("name", ["person", "invite_person", "shut_person", "open_person"])
def test_only_the_owner_gives_log_ins(client, owner, role, name):
    client.force_login(make.person(role))
    assert client.post(reverse(name, args=["chief"])).status_code == 403
