"""Reviews that go through a large company's every part and plan are kept a while, and say so."""

from decimal import Decimal

import pytest
from django.core.cache import cache
from django.test import Client
from django.urls import reverse

from fleet.assessment.runs import assess_fleet
from scheduling.billing import views
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def owner(client, time_machine):
    """An owner logged in at the tests' standing moment."""
    time_machine.move_to(make.NOW, tick=False)
    client.force_login(make.person("owner"))
    return client


@pytest.mark.parametrize("name", ["owner_forecast", "owner_risk"])
def test_a_large_companys_review_is_kept_a_quarter_of_an_hour_and_says_so(
    owner, name, monkeypatch, time_machine
):
    def monthly() -> Decimal:
        context = owner.get(reverse(name)).context
        return (
            context["found"].months[-1]["recurring"] if name == "owner_forecast" else context["risk"].monthly
        )

    make.plan(make.whole_unit().site, amount="60.00")
    assess_fleet(make.NOW)
    assert monthly() == Decimal("60.00")
    make.plan(make.treatment_unit().site, amount="40.00")
    # A small company's is reckoned each time.
    assert monthly() == Decimal("100.00")
    monkeypatch.setattr(views, "LARGE", 1)
    assert monthly() == Decimal("100.00")
    make.plan(make.treatment_unit().site, amount="10.00")
    assert monthly() == Decimal("100.00")
    assert "recalculated every quarter" in owner.get(reverse(name)).content.decode()
    assert "recalculated every quarter" not in owner.get(reverse(name) + "?anew").content.decode()
    assert monthly() == Decimal("110.00")
    make.plan(make.treatment_unit().site, amount="1.00")
    of_a_branch = Client()
    of_a_branch.force_login(make.person("owner", branch=make.branch()))
    assert of_a_branch.get(reverse(name)).context["as_of"] is None
    time_machine.shift(16 * 60)
    assert monthly() == Decimal("111.00")
    cache.clear()
