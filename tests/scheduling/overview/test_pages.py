"""Every first page of a role, logging in, refusals, and what the factories make."""

import pytest
from django.urls import reverse

from fleet.assessment.runs import assess_units
from fleet.models import PartState, UnitState
from tests import factories

pytestmark = pytest.mark.django_db


def test_a_whole_unit_from_the_factories_can_be_assessed(now):
    unit = factories.whole_unit()
    assess_units([unit.pk], now)
    state = UnitState.objects.get(treatment_unit=unit)
    assert state.permeate_gal_per_day == pytest.approx(20, rel=0.1)
    assert PartState.objects.filter(treatment_unit=unit, wear__gte=0).count() == 4


def test_logging_in_leads_to_the_first_page_of_the_role(client):
    factories.person("integrator", username="feeder", password="a long enough secret")
    answer = client.post(reverse("log_in"), {"username": "feeder", "password": "a long enough secret"})
    assert answer.status_code == 302
    assert client.get(answer.url).url == reverse("fleet_list")


def test_a_wrong_password_is_told_without_saying_which_half_is_wrong(client):
    factories.person("planner", username="ada", password="a long enough secret")
    answer = client.post(reverse("log_in"), {"username": "ada", "password": "nope"})
    assert "do not go together" in answer.content.decode()


@pytest.mark.parametrize("role", ["planner", "technician", "owner", "integrator"])
def test_how_we_know_shows_every_law_to_everyone_who_is_logged_in(client, role):
    client.force_login(factories.person(role))
    assert "value from memory" in client.get(reverse("how_we_know")).content.decode()


def test_a_stranger_is_sent_to_the_log_in(client):
    answer = client.get(reverse("how_we_know"))
    assert answer.url == f"{reverse('log_in')}?next={reverse('how_we_know')}"


def test_an_unknown_address_answers_with_our_own_page(client):
    answer = client.get("/nowhere/")
    assert answer.status_code == 404
    assert "There is nothing at this address" in answer.content.decode()
