"""The treatment unit's page and the site's: what they tell, in whose measures, at what cost."""

import re
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from fleet.assessment.runs import assess_units
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def unit(now):
    """An assessed treatment unit."""
    made = factories.whole_unit(serial="RO-9")
    assess_units([made.pk], now)
    return made


def page_of(client, unit, role="planner", **person) -> str:
    """The page as a person of a role sees it."""
    client.force_login(factories.person(role, **person))
    return client.get(reverse("treatment_unit", args=[unit.serial])).content.decode()


def test_one_look_tells_readiness_wear_and_what_governs(client, unit):
    page = page_of(client, unit)
    assert "In service" in page
    assert re.search(r"\d+% used by (volume|calendar|chlorine dose)", page)
    assert "comes first and governs" in page


def test_every_chart_says_in_words_what_it_shows_and_has_its_table(client, unit):
    page = page_of(client, unit)
    assert page.count('role="img" aria-label="Share of life used') == 1
    assert page.count("The same as a table") == 3


def test_no_page_part_needs_what_the_policy_forbids(client, unit):
    page = page_of(client, unit)
    assert not re.search(r'\sstyle="', page)
    assert not re.search(r"<script(?![^>]*\bsrc=)", page)
    assert not re.search(r"\son[a-z]+=", page)


def test_a_metric_person_reads_litres_and_celsius(client, unit):
    metric = page_of(client, unit, measure_system="metric")
    assert "L/day" in metric
    assert "°C" in metric
    assert "gal/day" not in metric
    client.logout()
    assert "gal/day" in page_of(client, unit)


def test_a_unit_never_assessed_says_so(client):
    bare = factories.treatment_unit()
    assert "not assessed yet" in page_of(client, bare)


def test_an_owed_flush_is_told_with_what_clears_it(client, now):
    unit = factories.treatment_unit()
    kind = factories.part_kind()
    factories.part(factories.position(unit, "carbon", 1), kind, installed_at=now - timedelta(days=2))
    assess_units([unit.pk], now)
    page = page_of(client, unit)
    assert "Flush owed" in page
    assert "only a recorded flush clears this" in page


def test_history_does_not_multiply_the_queries(client, unit, now):
    client.force_login(factories.person("planner"))
    address = reverse("treatment_unit", args=[unit.serial])
    factories.route(factories.technician(), [factories.work_order(unit)])
    client.get(address)
    with CaptureQueriesContext(connection) as few:
        client.get(address)
    for i in range(8):
        found = factories.finding(
            unit, gone_at=now if i % 2 else None, gone_because="over" if i % 2 else None
        )
        order = factories.work_order(unit, finding=found)
        factories.performance_reading(unit, now - timedelta(hours=i + 1))
        technician = factories.technician()
        factories.route(technician, [order], factories.TODAY + timedelta(days=i + 1))
    with CaptureQueriesContext(connection) as many:
        client.get(address)
    assert len(many) == len(few) <= 21


def test_the_sites_page_shows_units_plan_tests_and_hours(client, unit):
    factories.plan(unit.site, amount="73.50")
    client.force_login(factories.person("planner"))
    page = client.get(reverse("site_page", args=[unit.site.code])).content.decode()
    assert "RO-9" in page
    assert "73.50" in page
    assert "any time" in page
    assert "in force" in page


def test_prices_are_not_for_those_who_may_not_see_revenue(client, unit):
    factories.plan(unit.site, amount="73.50")
    client.force_login(factories.person("integrator"))
    page = client.get(reverse("site_page", args=[unit.site.code])).content.decode()
    assert "RO-9" in page
    assert "73.50" not in page
