"""Tokens: shown once, kept as a hash, narrowed, expiring, revocable; and their page."""

import re
from datetime import timedelta

import pytest
from django.urls import reverse

from api.models import ApiToken
from api.tokens import MOST_STANDING, find_token, make_token, permissions_on_offer, revoke_token
from shared.errors import DomainError
from shared.roles import ROLES, Permission, Role, may
from tests import factories as make
from tests.api.rows import Caller

pytestmark = pytest.mark.django_db


def token_of(person, *, days=30, permissions=(Permission.SEE_FLEET,)):
    return make_token(person, name="meter hub", permissions=permissions, days=days, now=make.NOW)


def test_the_secret_itself_is_kept_nowhere():
    token, secret = token_of(make.person("planner"))
    kept = ApiToken.objects.filter(pk=token.pk).values().get()
    assert all(secret not in str(value) for value in kept.values())
    assert find_token(secret, make.NOW) == token


def test_two_tokens_never_share_a_secret():
    planner = make.person("planner")
    assert len({token_of(planner)[1] for _ in range(10)}) == 10


def test_a_token_does_no_more_than_its_list_says(here):
    caller = Caller(make.person("owner", branch=here.branch), permissions=[Permission.SEE_FLEET])
    assert caller.get("sites").status_code == 200
    assert caller.get("revenue-entries").status_code == 403
    assert caller.get("work-orders").status_code == 403
    assert caller.call("POST", "work-orders", {}).status_code == 403


def test_a_token_loses_what_its_person_loses(here):
    caller = Caller(make.person("owner", branch=here.branch))
    assert caller.get("revenue-entries").status_code == 200
    caller.person.role = "integrator"
    caller.person.save()
    assert caller.get("revenue-entries").status_code == 403
    assert caller.get("sites").status_code == 200


def test_an_expired_token_opens_nothing(planner, time_machine):
    time_machine.move_to(make.NOW + timedelta(days=30, seconds=-1), tick=False)
    assert planner.get("sites").status_code == 200
    time_machine.move_to(make.NOW + timedelta(days=30), tick=False)
    answer = planner.get("sites")
    assert answer.status_code == 401
    assert answer.headers["WWW-Authenticate"] == "Bearer"


def test_a_revoked_token_opens_nothing(planner):
    assert revoke_token(planner.token, now=make.NOW) is True
    assert planner.get("sites").status_code == 401
    assert revoke_token(planner.token, now=make.NOW) is False


def test_a_person_who_left_takes_the_tokens_along(planner):
    planner.person.is_active = False
    planner.person.save()
    assert planner.get("sites").status_code == 401


@pytest.mark.parametrize("header", ["Bearer", "Bearer a b", "Bearer \xff\xfe", "Bearer " + "x" * 5000])
def test_a_header_that_is_no_token_is_refused(client, header):
    assert client.get("/api/sites", headers={"Authorization": header}).status_code == 401


@pytest.mark.parametrize("role", list(Role))
def test_what_is_on_offer_is_within_the_role_and_never_makes_tokens_or_people(role):
    offered = set(permissions_on_offer(make.person(role)))
    assert offered <= ROLES[role].may
    assert not offered & {Permission.USE_API, Permission.MANAGE_PEOPLE}


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"permissions": [Permission.SEE_MARGINS]}, "permissions"),
        ({"permissions": []}, "permissions"),
        ({"permissions": [Permission.USE_API]}, "permissions"),
        ({"days": 0}, "days"),
        ({"days": 367}, "days"),
        ({"name": "  "}, "name"),
    ],
)
def test_a_token_that_can_not_be_is_refused_by_field(given, field):
    usual = {"name": "hub", "permissions": [Permission.SEE_FLEET], "days": 30, "now": make.NOW}
    with pytest.raises(DomainError) as refused:
        make_token(make.person("planner"), **usual | given)
    assert refused.value.field == field
    assert not ApiToken.objects.exists()


def test_a_technician_makes_no_token():
    with pytest.raises(DomainError):
        token_of(make.person("technician"), permissions=[Permission.RECORD_READINGS])


def test_tokens_do_not_pile_up_without_end():
    planner = make.person("planner")
    tokens = [token_of(planner)[0] for _ in range(MOST_STANDING)]
    with pytest.raises(DomainError):
        token_of(planner)
    revoke_token(tokens[0], now=make.NOW)
    token_of(planner)


def test_use_is_noted_once_a_minute(planner, time_machine):
    planner.get("sites")
    first = ApiToken.objects.get().last_used_at
    assert first == make.NOW
    time_machine.move_to(make.NOW + timedelta(seconds=30), tick=False)
    planner.get("sites")
    assert ApiToken.objects.get().last_used_at == first
    time_machine.move_to(make.NOW + timedelta(seconds=61), tick=False)
    planner.get("sites")
    assert ApiToken.objects.get().last_used_at > first


@pytest.mark.parametrize("role", list(Role))
def test_the_page_is_for_whoever_may_use_the_api(client, role):
    client.force_login(make.person(role))
    expected = 200 if may(role, Permission.USE_API) else 403
    assert client.get(reverse("own_tokens")).status_code == expected


def test_the_page_shows_the_secret_once(client):
    client.force_login(make.person("planner"))
    form = {"name": "meter hub", "days": "30", "permissions": ["see_fleet"]}
    made = client.post(reverse("own_tokens"), form)
    secret = re.search(r"tapward_[\w-]{43}", made.content.decode()).group()
    assert "no-store" in made.headers["Cache-Control"]
    assert secret not in client.get(reverse("own_tokens")).content.decode()
    assert client.get("/api/sites", headers={"Authorization": f"Bearer {secret}"}).status_code == 200


def test_the_page_refuses_more_than_the_person_may(client):
    client.force_login(make.person("integrator"))
    form = {"name": "meter hub", "days": "30", "permissions": ["see_margins"]}
    assert client.post(reverse("own_tokens"), form).status_code == 422
    assert not ApiToken.objects.exists()


def test_a_person_revokes_the_own_tokens_and_nobody_elses(client):
    planner = make.person("planner")
    own, foreign = token_of(planner)[0], token_of(make.person("planner"))[0]
    client.force_login(planner)
    assert client.post(reverse("revoke_own_token", args=[foreign.pk])).status_code == 404
    assert client.post(reverse("revoke_own_token", args=[own.pk])).status_code == 302
    assert set(ApiToken.objects.filter(revoked_at__isnull=False)) == {own}


def test_a_session_that_writes_needs_its_csrf_token(here):
    caller = Caller(here.technician.person)
    caller.client.handler.enforce_csrf_checks = True
    answer = caller.call("POST", "meter-readings/bulk", "{}", content_type="application/x-ndjson")
    assert answer.status_code == 403
    assert "CSRF" in answer.json()["title"]
