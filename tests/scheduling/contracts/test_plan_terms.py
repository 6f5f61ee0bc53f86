"""Terms and taxes by date: added, taken back, never overwritten; by page and by workbook."""

from datetime import UTC, date, datetime
from decimal import Decimal

import pytest
from django.db.models import Sum
from django.urls import reverse

from scheduling.billing import invoicing, revenue
from scheduling.contracts import prices as contracts_prices
from scheduling.models import PlanTerms, RevenueEntry, ServicePlan, TaxRate
from scheduling.workbook.importing import import_workbook
from shared.errors import DomainError
from tests import factories as make

pytestmark = pytest.mark.django_db
NOV = datetime(2026, 11, 2, 15, 0, tzinfo=UTC)
GIVEN = {"by": None, "now": NOV}


def set_terms(plan, from_on, percent="0", visits=None):
    return contracts_prices.set_terms(
        plan, from_on=from_on, escalator_percent=Decimal(percent), included_visits_per_year=visits, **GIVEN
    )


def tax(**given) -> TaxRate:
    values = {"code": "ST", "name": "Tax", "percent": Decimal("6.25")} | given
    return invoicing.add_rate(values, from_on=values.pop("from_on", date(2026, 1, 1)), **GIVEN)


def test_terms_hold_from_their_day_on_and_the_plan_before_it():
    plan = make.plan(make.site(), starts_on=date(2025, 1, 1), included_visits_per_year=4)
    set_terms(plan, date(2026, 3, 1), "3", 2)
    assert contracts_prices.terms_on(plan, date(2026, 2, 28)).included_visits_per_year == 4
    assert contracts_prices.terms_on(plan, date(2026, 3, 1)).included_visits_per_year == 2
    with pytest.raises(DomainError, match="has terms from 2026-03-01 on already"):
        set_terms(plan, date(2026, 3, 1))
    with pytest.raises(DomainError, match="lies outside plan"):
        set_terms(plan, date(2024, 3, 1))


def test_terms_taken_back_count_no_more_and_their_day_is_free_again():
    plan = make.plan(make.site(), starts_on=date(2025, 1, 1))
    set_terms(plan, date(2026, 3, 1), "3", 2).void(**GIVEN)
    assert contracts_prices.terms_on(plan, make.TODAY) == plan
    set_terms(plan, date(2026, 3, 1), "4")
    assert PlanTerms.objects.count() == 2


def test_the_escalator_follows_the_terms_in_force_on_the_anniversary():
    plan = make.plan(make.site(), amount="100.00", starts_on=date(2024, 12, 1))
    set_terms(plan, date(2026, 6, 1), "5")
    found = contracts_prices.escalate(through=date(2026, 12, 31), today=make.TODAY)
    assert [(row.from_on, row.amount) for row in found.prices] == [(date(2026, 12, 1), Decimal("105.00"))]
    ended = make.plan(make.site(), starts_on=date(2024, 12, 1), escalator_percent=Decimal(5))
    set_terms(ended, date(2026, 6, 1), "0")
    assert contracts_prices.escalate(through=date(2026, 12, 31), today=make.TODAY).prices == []


def test_a_rate_that_a_batch_used_is_not_taken_back():
    make.plan(make.site(), starts_on=date(2026, 10, 1))
    rate = tax()
    wrong = tax(code="X", percent=Decimal(1))
    invoicing.void_rate(wrong, **GIVEN)
    batch = invoicing.end_month(date(2026, 10, 1), currency="USD", **GIVEN).batch
    assert list(batch.lines.exclude(tax_code="").values_list("tax_code", flat=True)) == ["ST"]
    with pytest.raises(DomainError, match="stands on lines that were handed over"):
        invoicing.void_rate(rate, **GIVEN)
    with pytest.raises(DomainError, match="has a rate from 2026-01-01 on already"):
        tax(percent=Decimal(7))


@pytest.mark.parametrize("moved_to", [date(2026, 10, 1), date(2026, 12, 1)])
def test_a_plan_whose_start_is_moved_earns_nothing_before_it_any_more(moved_to):
    """Also when it begins after the month that is being entered by now."""
    plan = make.plan(make.site(), amount="60.00", starts_on=date(2026, 8, 1))
    revenue.enter_revenue(through=date(2026, 11, 1), now=NOV)
    revenue.close_month(date(2026, 8, 1), by=None, now=NOV)
    ServicePlan.objects.filter(pk=plan.pk).update(starts_on=moved_to)
    revenue.enter_revenue(through=date(2026, 11, 1), now=NOV)
    total = RevenueEntry.objects.aggregate(total=Sum("amount"))["total"]
    assert total == {date(2026, 10, 1): Decimal("120.00"), date(2026, 12, 1): Decimal(0)}[moved_to]
    assert not RevenueEntry.objects.filter(month=date(2026, 8, 1), entered_at=NOV, kind="correction").exists()
    again = revenue.enter_revenue(through=date(2026, 11, 1), now=NOV)
    assert (again.entered, again.corrected) == (0, 0)


def test_a_plan_whose_start_is_moved_back_earns_the_months_it_gained():
    plan = make.plan(make.site(), amount="60.00", starts_on=date(2026, 10, 1))
    plan.prices.update(from_on=date(2026, 8, 1))
    revenue.enter_revenue(through=date(2026, 11, 1), now=NOV)
    ServicePlan.objects.filter(pk=plan.pk).update(starts_on=date(2026, 8, 1))
    assert revenue.enter_revenue(through=date(2026, 11, 1), now=NOV).entered == 2


def bring_in(**sheets):
    return import_workbook(sheets, accept_good_rows=False, now=NOV)


def test_a_workbook_brings_terms_and_taxes_once_and_overwrites_none():
    site = make.site()
    plan = {"code": "P9", "name": "Care", "site": site.code, "starts_on": "2026-01-01", "price": "50",
            "escalator_percent": "2.5", "included_visits_per_year": 3}  # fmt: skip
    terms = {"plan": "P9", "from_on": "2026-06-01", "escalator_percent": "4", "included_visits_per_year": 2}
    rate = {"code": "ST", "name": "Tax", "percent": "6.25", "from_on": "2026-01-01", "falls_on_work": "no"}
    first = bring_in(plans=[plan], plan_terms=[terms], tax_rates=[rate])
    assert first.problems == []
    kept = ServicePlan.objects.get(code="P9")
    assert (kept.escalator_percent, kept.included_visits_per_year) == (Decimal("2.5"), 3)
    assert PlanTerms.objects.get().escalator_percent == Decimal(4)
    assert TaxRate.objects.get().made_at == NOV
    assert not TaxRate.objects.get().falls_on_work
    again = bring_in(plans=[plan], plan_terms=[terms], tax_rates=[rate])
    assert again.problems == []
    assert again.rows_written == 0
    for sheets, column in (
        ({"plans": [plan | {"escalator_percent": "9"}]}, "escalator_percent"),
        ({"plan_terms": [terms | {"included_visits_per_year": 9}]}, "included_visits_per_year"),
        ({"tax_rates": [rate | {"percent": "9"}]}, "percent"),
    ):
        (problem,) = bring_in(**sheets).problems
        assert (problem.row, problem.field) == (2, column)
        assert "not overwritten" in problem.message


def test_a_workbook_names_what_is_wrong_with_terms():
    plan = make.plan(make.site(), starts_on=date(2026, 1, 1))
    row = {"plan": plan.code, "from_on": "2025-06-01", "escalator_percent": "4"}
    unknown = {"plan": "none", "from_on": "2026-06-01", "escalator_percent": "4"}
    found = bring_in(plan_terms=[row, unknown])
    assert [(p.row, p.field) for p in found.problems] == [(2, "from_on"), (3, "plan")]


def test_the_owner_sets_and_takes_back_terms_and_taxes_by_page(client):
    plan = make.plan(make.site(), starts_on=date(2026, 1, 1))
    client.force_login(make.person("owner"))
    given = {"from_on": "2026-06-01", "escalator_percent": "3", "included_visits_per_year": "2"}
    assert client.post(reverse("set_plan_terms", args=[plan.code]), given).status_code == 302
    again = client.post(reverse("set_plan_terms", args=[plan.code]), given)
    assert again.status_code == 400
    assert "Take those back first" in again.content.decode()
    assert "2026" in client.get(reverse("owner_plan", args=[plan.code])).content.decode()
    client.post(reverse("take_back_plan_terms", args=[plan.code, PlanTerms.objects.get().pk]))
    assert PlanTerms.objects.get().taken_back_by is not None
    rate = {"code": "ST", "name": "Tax", "percent": "6.25", "from_on": "2026-06-01", "falls_on_plans": "on"}
    assert client.post(reverse("add_tax_rate"), rate).status_code == 302
    assert client.post(reverse("add_tax_rate"), rate).status_code == 400
    client.post(reverse("take_back_tax_rate", args=[TaxRate.objects.get().pk]))
    assert TaxRate.objects.get().taken_back_at is not None
    assert "does not count" in client.get(reverse("tax_rates")).content.decode()


@pytest.mark.parametrize("role", ["planner", "technician", "integrator"])
def test_only_the_owner_changes_terms_taxes_and_payments(client, role):
    plan = make.plan(make.site())
    client.force_login(make.person(role))
    for name, args in (
        ("set_plan_terms", [plan.code]), ("take_back_plan_terms", [plan.code, 1]), ("add_tax_rate", []),
        ("take_back_tax_rate", [1]), ("read_paid_file", []), ("take_back_paid_file", [1]),
        ("set_plan_price", [plan.code]), ("add_plan_period", [plan.code]), ("end_plan_period", [plan.code]),
        ("end_of_month", []),
    ):  # fmt: skip
        assert client.post(reverse(name, args=args)).status_code == 403
    for name, args in (("tax_rates", []), ("owner_plan", [plan.code])):
        expected = 200 if role == "planner" else 403
        assert client.get(reverse(name, args=args)).status_code == expected
