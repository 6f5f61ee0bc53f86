"""The page of one service plan: prices and pauses are added, never overwritten, and only by the owner."""

from datetime import date
from decimal import Decimal

import pytest
from django.urls import reverse

from scheduling.tasks import enter_revenue
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def _standing_moment(time_machine):
    time_machine.move_to(make.NOW, tick=False)


@pytest.fixture
def owner(client):
    client.force_login(make.person("owner"))
    return client


def test_a_plan_page_sets_prices_and_gives_pauses_and_shows_refusals(owner):
    plan = make.plan(make.site(), amount="60.00")
    page = reverse("owner_plan", args=[plan.code])
    owner.post(reverse("set_plan_price", args=[plan.code]), {"amount": "66", "from_on": "2026-12-01"})
    assert "66.00" in owner.get(page).content.decode()
    again = owner.post(reverse("set_plan_price", args=[plan.code]), {"amount": "70", "from_on": "2026-12-01"})
    assert again.status_code == 400
    assert "not overwritten" in again.content.decode()
    periods = reverse("add_plan_period", args=[plan.code])
    owner.post(periods, {"percent_off": "100", "from_on": "2026-12-10", "why": "Closed for the winter"})
    assert plan.periods.get().kind == "pause"
    owner.post(periods, {"percent_off": "10", "from_on": "2026-12-10", "why": "Three sites"})
    assert plan.periods.filter(kind="discount").exists()
    ends = {"period": plan.periods.get(kind="pause").pk, "to_on": "2027-01-10"}
    owner.post(reverse("end_plan_period", args=[plan.code]), ends)
    assert plan.periods.get(kind="pause").to_on == date(2027, 1, 10)
    assert "Closed for the winter" in owner.get(page).content.decode()


@pytest.mark.parametrize(("role", "sees"), [("planner", 200), ("technician", 403), ("integrator", 403)])
def test_others_change_nothing_of_a_plan(client, role, sees):
    plan = make.plan(make.site())
    client.force_login(make.person(role))
    page = client.get(reverse("owner_plan", args=[plan.code]))
    assert page.status_code == sees
    assert "Set the price" not in page.content.decode()
    for name in ("set_plan_price", "add_plan_period", "end_plan_period"):
        assert client.post(reverse(name, args=[plan.code])).status_code == 403


def test_the_nightly_run_writes_prices_that_escalators_bring():
    plan = make.plan(
        make.site(), amount="100.00", starts_on=date(2024, 12, 1), escalator_percent=Decimal("2.5")
    )
    enter_revenue()
    assert plan.prices.get(from_on=date(2026, 12, 1)).amount == Decimal("102.50")
