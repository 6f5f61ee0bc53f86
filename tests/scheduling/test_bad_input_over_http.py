"""What can't be is refused on its page, with what is wrong and what to do; nothing is half-written."""

from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse

from fleet.models import Person, TreatmentUnit
from scheduling.models import ServicePlan
from tests import factories as make
from tests.factories import NOW, TODAY
from tests.scheduling.register.test_pages import fields_of, send

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _standing_clock(time_machine):
    time_machine.move_to(NOW, tick=False)


def as_(role):
    client = Client()
    client.force_login(make.person(role))
    return client


def test_of_two_who_move_a_unit_at_once_the_second_is_told_where_it_stands():
    unit = make.whole_unit(serial="TU-1")
    first_to, second_to = make.site(name="Mill Road"), make.site(name="High Street")
    address = reverse("move_unit", args=["TU-1"])
    first, second = as_("planner"), as_("planner")
    seen_by_second = fields_of(second.get(address))
    assert send(first, address, to=first_to.code, do="keep").status_code == 302
    refused = second.post(address, seen_by_second | {"to": second_to.code, "do": "keep"})
    assert refused.status_code == 422
    assert "Mill Road" in refused.content.decode()
    unit.refresh_from_db()
    assert unit.site == first_to


def test_a_swap_for_a_serial_that_stands_somewhere_is_refused_beside_its_field():
    make.whole_unit(serial="TU-1")
    make.treatment_unit(serial="TU-2")
    refused = send(as_("planner"), reverse("swap_unit", args=["TU-1"]), serial="tu-2")
    assert refused.status_code == 422
    assert "There is a treatment unit TU-2 already" in refused.content.decode()
    assert not TreatmentUnit.objects.exclude(retired_on=None).exists()


def test_a_plan_that_would_end_before_it_starts_is_refused():
    plan = make.plan(make.site(), starts_on=TODAY - timedelta(days=30))
    address = reverse("end_plan", args=[plan.code])
    early = (TODAY - timedelta(days=60)).isoformat()
    refused = as_("owner").post(address, {"last_on": early, "because": "Moved away.", "do": "keep"})
    assert refused.status_code == 422
    assert "problem" in refused.content.decode()
    assert ServicePlan.objects.get().ends_on is None


def test_a_person_on_a_route_is_not_erased_and_the_page_says_what_must_wait():
    who = make.technician(person=make.person("technician", username="bram"))
    make.route(who, [make.work_order(make.treatment_unit(site=make.site(branch=who.branch)))],
               TODAY + timedelta(days=1))  # fmt: skip
    refused = as_("owner").post(reverse("erase_personal_data", args=["log-in", "bram"]), {"code": "bram"})
    assert refused.status_code == 422
    assert "1 order on routes to come" in refused.content.decode()
    assert Person.objects.filter(username="bram", is_active=True).exists()
