"""A plan starts, ends with its last invoice and goes on; many prices change at once; all to the cent."""

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest
from django.db.models import Sum
from django.urls import reverse

from fleet.models import AuditEntry
from scheduling.billing import invoicing, plan_changes, revenue
from scheduling.contracts.starting import start_plan
from scheduling.models import ClosedMonth, OrderKind, OrderState, PriceChange, RevenueEntry, ServicePlan
from shared.errors import DomainError
from shared.money import to_cents
from tests import factories as make
from tests.factories import NOW, TODAY

pytestmark = pytest.mark.django_db
OCTOBER, NOVEMBER = date(2026, 10, 1), date(2026, 11, 1)
GIVEN = {"by": None, "now": NOW}
MONTH = {"currency": "USD", "by": None}


def earned(plan, month):
    entries = RevenueEntry.objects.filter(plan=plan, month=month)
    return to_cents(entries.aggregate(sum=Sum("amount", default=Decimal(0)))["sum"])


def end(plan, last_on, why="Moved away"):
    return plan_changes.end_plan(plan, last_on=last_on, why=why, today=TODAY, **GIVEN)


def test_the_last_invoice_is_the_covered_days_share_and_what_was_entered_beyond_is_given_back():
    """60.00 a month, last day 15 October: 60 × 15 / 31 = 29.03 to the cent."""
    plan = make.plan(make.site(), amount="60.00")
    revenue.enter_revenue(through=NOVEMBER, now=NOW)
    found = plan_changes.plan_end(plan, date(2026, 10, 15), today=TODAY)
    assert [(one.month, one.entered, one.becomes) for one in found.months] == [
        (OCTOBER, Decimal("60.00"), Decimal("29.03")), (NOVEMBER, Decimal("60.00"), Decimal("0.00")),
    ]  # fmt: skip
    assert found.given_back == Decimal("90.97")
    end(plan, date(2026, 10, 15))
    revenue.enter_revenue(through=NOVEMBER, now=NOW)
    assert (earned(plan, OCTOBER), earned(plan, NOVEMBER)) == (Decimal("29.03"), Decimal("0.00"))
    assert "15 Oct 2026: Moved away" in AuditEntry.objects.get(what="plan ended").detail


def test_the_difference_of_a_closed_month_falls_into_the_open_one_as_the_preview_says():
    plan = make.plan(make.site(), amount="60.00", starts_on=OCTOBER)
    invoicing.end_month(OCTOBER, now=NOW, **MONTH)
    found = end(plan, date(2026, 10, 15))
    assert found.last_invoice.falls_into == NOVEMBER
    revenue.enter_revenue(through=NOVEMBER, now=NOW)
    assert earned(plan, NOVEMBER) == found.last_invoice.difference == Decimal("-30.97")


def test_promised_visits_after_the_end_are_withdrawn_and_those_before_stay():
    site = make.site()
    plan = make.plan(site)
    unit = make.treatment_unit(site=site)
    before, after = (
        make.work_order(unit, OrderKind.PLAN_VISIT, plan=plan, numbers={"due_on": day.isoformat()})
        for day in (TODAY + timedelta(days=3), TODAY + timedelta(days=9))
    )
    found = end(plan, TODAY + timedelta(days=5))
    assert found.visits == [after]
    after.refresh_from_db()
    before.refresh_from_db()
    assert (before.state, after.state) == (OrderState.OPEN, OrderState.WITHDRAWN)


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"last_on": date(2024, 12, 30)}, "last_on"),
        ({"last_on": date(2126, 11, 30)}, "last_on"),
        ({"last_on": TODAY, "why": " "}, "why"),
    ],
)
def test_an_end_that_can_not_be_is_refused(given, field):
    plan = make.plan(make.site())
    with pytest.raises(DomainError) as refused:
        end(plan, **given)
    assert refused.value.field == field
    assert ServicePlan.objects.get().ends_on is None


def test_an_end_is_undone_until_its_month_has_been_invoiced():
    plan = make.plan(make.site(), starts_on=OCTOBER)
    end(plan, date(2026, 10, 15))
    plan_changes.undo_end(plan, **GIVEN)
    assert ServicePlan.objects.get().ends_on is None
    end(plan, date(2026, 10, 15))
    invoicing.end_month(OCTOBER, now=NOW, **MONTH)
    with pytest.raises(DomainError, match="invoiced"):
        plan_changes.undo_end(plan, **GIVEN)


def start(site, **given):
    values = {
        "name": "Full care",
        "interval": "month",
        "amount": Decimal(40),
        "starts_on": TODAY,
        "today": TODAY,
    }
    return start_plan(site, **values | GIVEN | given)


def test_a_plan_starts_with_its_price_and_the_next_free_number():
    site = make.site()
    first, second = start(site), start(site, name="Filters only")
    assert (first.code, second.code) == ("P0001", "P0002")
    revenue.enter_revenue(through=TODAY, now=NOW)
    assert earned(first, NOVEMBER) == Decimal("38.67")  # 40 × 29 / 30: from 2 November on


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"ends_on": TODAY}, "ends_on"),
        ({"starts_on": date(1926, 11, 2)}, "starts_on"),
        ({"amount": Decimal(-1)}, "amount"),
        ({"code": "TAKEN"}, "code"),
        ({"name": "full CARE "}, "name"),
    ],
)
def test_a_plan_that_can_not_be_is_refused(given, field):
    site = make.site()
    make.plan(site, code="TAKEN", name="Full care")
    with pytest.raises(DomainError) as refused:
        start(site, **{"name": "Other", **given})
    assert refused.value.field == field
    assert ServicePlan.objects.count() == 1


def test_a_treatment_unit_of_another_site_has_no_plan_here():
    with pytest.raises(DomainError, match="does not stand"):
        start(make.site(), treatment_unit=make.treatment_unit())


def change(plans, **given):
    values = {
        "from_on": date(2026, 12, 1),
        "percent": Decimal("4.5"),
        "amount": None,
        "chosen": "",
        "new_monthly": None,
    }
    return plan_changes.change_prices(plans, **values | GIVEN | given)


def test_many_prices_rise_to_the_cent_and_each_that_does_not_says_why():
    """61.00 × 1.045 = 63.745, rounded half up 63.75; a quarter of 90.00 is 30.00 a month, 94.05 is 31.35."""
    site = make.site()
    monthly, quarter = make.plan(site, amount="61.00"), make.plan(site, amount="90.00", interval="quarter")
    ended = make.plan(site, ends_on=date(2026, 12, 1))
    priced = make.plan(site)
    priced.prices.create(from_on=date(2027, 1, 1), amount=Decimal("70.00"))
    found = plan_changes.price_preview(
        ServicePlan.objects.all(), from_on=date(2026, 12, 1), percent=Decimal("4.5"), amount=None
    )
    assert {line.plan: line.new for line in found.changing} == {
        monthly: Decimal("63.75"), quarter: Decimal("94.05"),
    }  # fmt: skip
    assert {line.plan for line in found.lines if line.why_not} == {ended, priced}
    assert found.old_monthly == Decimal("61.00") + Decimal("30.00") + 2 * Decimal("60.00")
    assert found.new_monthly - found.old_monthly == Decimal("2.75") + Decimal("1.35")
    kept = change(ServicePlan.objects.all(), new_monthly=found.new_monthly)
    assert sorted(line["new"] for line in kept.lines) == ["63.75", "94.05"]
    revenue.enter_revenue(through=date(2026, 12, 1), now=NOW)
    assert earned(monthly, date(2026, 12, 1)) == Decimal("63.75")


@pytest.mark.parametrize(
    "given",
    [
        {"percent": None},
        {"amount": Decimal(1)},
        {"percent": Decimal(101)},
        {"percent": Decimal(0)},
        {"new_monthly": Decimal("1.00")},
        {"percent": None, "amount": Decimal(-61)},
    ],
)
def test_a_change_that_can_not_be_writes_nothing(given):
    plan = make.plan(make.site())
    with pytest.raises(DomainError):
        change(ServicePlan.objects.all(), **given)
    assert plan.prices.count() == 1
    assert not PriceChange.objects.exists()


def test_a_change_is_taken_back_until_something_of_it_has_been_invoiced():
    plan = make.plan(make.site(), starts_on=NOVEMBER)
    first = change(ServicePlan.objects.all())
    revenue.enter_revenue(through=date(2026, 12, 1), now=NOW)
    plan_changes.undo_prices(first, **GIVEN)
    revenue.enter_revenue(through=date(2026, 12, 1), now=NOW)
    assert plan.prices.get().amount == earned(plan, date(2026, 12, 1)) == Decimal("60.00")
    second = change(ServicePlan.objects.all())
    invoicing.end_month(date(2026, 12, 1), now=datetime(2027, 1, 2, 18, tzinfo=UTC), **MONTH)
    with pytest.raises(DomainError, match="invoiced"):
        plan_changes.undo_prices(second, **GIVEN)
    assert plan.prices.count() == 2


# pages


@pytest.fixture
def owner(client, time_machine):
    time_machine.move_to(NOW, tick=False)
    client.force_login(make.person("owner"))
    return client


def test_the_owner_starts_ends_and_goes_on_with_a_plan_on_pages(owner):
    site = make.site()
    given = {"name": "Full care", "interval": "month", "amount": "40", "starts_on": "2026-11-02"}
    answer = owner.post(reverse("new_plan", args=[site.code]), given)
    plan = ServicePlan.objects.get()
    assert answer.headers["Location"] == reverse("owner_plan", args=[plan.code])
    page = owner.get(reverse("end_plan", args=[plan.code]), {"last_on": "2026-11-16"}).content.decode()
    assert "20.00" in page  # 40 × 15 / 30: from 2 to 16 November
    assert (
        owner.post(reverse("end_plan", args=[plan.code]), {"last_on": "2026-10-01", "why": "x"}).status_code
        == 422
    )
    assert (
        owner.post(reverse("end_plan", args=[plan.code]), {"last_on": "2026-11-16", "why": "x"}).status_code
        == 302
    )
    owner.post(reverse("undo_plan_end", args=[plan.code]))
    plan.refresh_from_db()
    assert plan.ends_on is None


def test_a_group_is_chosen_looked_at_kept_and_taken_back(owner):
    ours = make.plan(make.site(customer=make.customer(code="HOTEL")), amount="61.00")
    other = make.plan(make.site())
    asked = {"customer": "hotel", "percent": "4.5", "from_on": "2026-12-01"}
    page = owner.get(reverse("price_changes"), asked)
    assert [line.plan for line in page.context["preview"].lines] == [ours]
    shown = page.context["preview"].new_monthly
    stale = owner.post(reverse("price_changes"), {**asked, "new_monthly": "1"})
    assert stale.status_code == 422
    assert owner.post(reverse("price_changes"), {**asked, "new_monthly": shown}).status_code == 302
    assert (ours.prices.count(), other.prices.count()) == (2, 1)
    owner.post(reverse("undo_price_change", args=[PriceChange.objects.get().pk]))
    assert ours.prices.count() == 1


@pytest.mark.parametrize("name", ["new_plan", "end_plan", "undo_plan_end", "price_changes"])
@pytest.mark.parametrize("role", ["planner", "technician", "integrator"])
def test_only_the_owner_changes_plans(client, role, name):
    plan = make.plan(make.site())
    client.force_login(make.person(role))
    args = {"new_plan": [plan.site.code], "price_changes": []}.get(name, [plan.code])
    assert client.post(reverse(name, args=args)).status_code == 403


def test_an_owner_of_one_branch_reaches_no_other(client):
    plan = make.plan(make.site())
    kept = change(ServicePlan.objects.all())
    client.force_login(make.person("owner", branch=make.branch()))
    asked = {"percent": "4.5", "from_on": "2026-12-01"}
    assert client.get(reverse("price_changes"), asked).context["preview"].lines == []
    for name, args in (
        ("new_plan", [plan.site.code]),
        ("end_plan", [plan.code]),
        ("undo_price_change", [kept.pk]),
    ):
        assert client.post(reverse(name, args=args)).status_code == 404


def test_more_than_one_month_is_shown_and_asked_again(owner):
    plan = make.plan(make.site(), starts_on=date(2026, 8, 1))
    page = owner.post(reverse("end_of_month"), {"month": "2026-10"})
    assert [one.month for one in page.context["months"]] == [date(2026, month, 1) for month in (8, 9, 10)]
    assert page.context["total"] == Decimal("180.00")
    assert not ClosedMonth.objects.exists()
    assert not RevenueEntry.objects.exists()
    owner.post(reverse("end_of_month"), {"month": "2026-10", "months": "2"})
    assert not ClosedMonth.objects.exists()
    owner.post(reverse("end_of_month"), {"month": "2026-10", "months": "3"})
    assert ClosedMonth.objects.count() == 3
    assert earned(plan, OCTOBER) == Decimal("60.00")


def test_a_month_end_from_a_mistyped_start_is_refused_with_the_way_out(owner):
    make.plan(make.site(), starts_on=date(1926, 8, 1))
    page = owner.post(reverse("end_of_month"), {"month": "2026-10", "months": "1203"}, follow=True)
    assert "1926-08" in page.content.decode()
    assert not ClosedMonth.objects.exists()
