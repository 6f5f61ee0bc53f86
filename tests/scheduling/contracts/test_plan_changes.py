"""Prices by date, escalators, discounts, pauses: nothing overwritten, entries follow to the cent."""

from calendar import monthrange
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest
from django.db.models import Sum
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduling.billing import revenue
from scheduling.contracts import prices
from scheduling.contracts.plan_money import DatedPrice, Discount, earned_in
from scheduling.models import EntryKind, PlanPrice, RevenueEntry
from shared.errors import DomainError
from tests import factories

CENTS = st.integers(1, 500_000).map(lambda cents: Decimal(cents) / 100)
MONTH = date(2026, 10, 1)


@settings(deadline=None)
@given(CENTS, st.sampled_from(["month", "quarter", "year"]), st.integers(0, 30), st.integers(1, 31))
def test_a_pause_takes_the_days_it_covers_and_leaves_the_rest_of_the_share(price, interval, first, length):
    begins = MONTH + timedelta(days=first)
    ends = min(begins + timedelta(days=length), date(2026, 11, 1))
    terms = {
        "interval": interval, "starts_on": date(2025, 1, 1), "ends_on": None,
        "prices": [DatedPrice(date(2025, 1, 1), price)],
    }  # fmt: skip
    whole = earned_in(MONTH, **terms)
    paused = earned_in(MONTH, **terms, discounts=[Discount(begins, ends, Decimal(100))])
    open_days = 31 - (ends - begins).days
    assert abs(paused - whole * open_days / 31) <= Decimal("0.01")
    assert earned_in(MONTH, **terms, discounts=[Discount(MONTH, None, Decimal(100))]) == 0
    assert earned_in(date(2026, 12, 1), **terms, discounts=[Discount(begins, ends, Decimal(100))]) > -1


@settings(deadline=None)
@given(CENTS, st.integers(1, 100))
def test_a_discount_of_a_whole_month_is_the_share_less_its_percentage(price, percent):
    terms = {
        "interval": "month", "starts_on": date(2025, 1, 1), "ends_on": None,
        "prices": [DatedPrice(date(2025, 1, 1), price)],
    }  # fmt: skip
    found = earned_in(MONTH, **terms, discounts=[Discount(MONTH, date(2026, 11, 1), Decimal(percent))])
    assert abs(found - price * (100 - percent) / 100) <= Decimal("0.005")


def test_of_two_discounts_on_one_day_the_larger_counts():
    terms = {
        "interval": "month", "starts_on": date(2025, 1, 1), "ends_on": None,
        "prices": [DatedPrice(date(2025, 1, 1), Decimal("31.00"))],
        "discounts": [Discount(MONTH, None, Decimal(10)), Discount(date(2026, 10, 22), None, Decimal(50))],
    }  # fmt: skip
    assert earned_in(MONTH, **terms) == Decimal("18.90") + Decimal("5.00")


@pytest.mark.django_db
def test_a_new_price_is_a_new_row_and_a_second_of_the_day_is_refused():
    plan = factories.plan(factories.site(), amount="60.00")
    prices.set_price(plan, amount=Decimal("66.005"), from_on=date(2026, 5, 1))
    assert list(plan.prices.values_list("amount", flat=True)) == [Decimal("60.00"), Decimal("66.01")]
    with pytest.raises(DomainError, match="not overwritten"):
        prices.set_price(plan, amount=Decimal("70"), from_on=date(2026, 5, 1))
    with pytest.raises(DomainError, match="outside plan"):
        prices.set_price(plan, amount=Decimal("70"), from_on=date(2024, 5, 1))
    with pytest.raises(DomainError, match="can't be a price"):
        prices.set_price(plan, amount=Decimal("-1"), from_on=date(2026, 6, 1))


@pytest.mark.django_db
def test_an_escalator_raises_each_anniversary_once_and_leaves_history_alone():
    plan = factories.plan(
        factories.site(), amount="99.99", starts_on=date(2022, 11, 15), escalator_percent=Decimal("3")
    )
    report = prices.escalate(through=date(2027, 12, 31), today=date(2026, 11, 2))
    assert [(row.from_on, row.amount) for row in report.prices] == [
        (date(2026, 11, 15), Decimal("102.99")),
        (date(2027, 11, 15), Decimal("106.08")),
    ]
    assert report.rise == Decimal("6.09")
    assert prices.escalate(through=date(2027, 12, 31), today=date(2026, 11, 20)).prices == []
    assert PlanPrice.objects.filter(plan=plan).count() == 3


@pytest.mark.django_db
def test_a_price_set_by_hand_goes_before_the_escalator():
    plan = factories.plan(
        factories.site(), amount="50.00", starts_on=date(2025, 12, 1), escalator_percent=Decimal("10")
    )
    prices.set_price(plan, amount=Decimal("51.00"), from_on=date(2026, 12, 1))
    assert prices.escalate(through=date(2026, 12, 31), today=date(2026, 11, 2)).prices == []


@pytest.mark.django_db
def test_a_pause_entered_after_the_month_was_closed_is_corrected_in_the_open_month(now):
    plan = factories.plan(factories.site(), amount="60.00", starts_on=date(2026, 9, 1))
    revenue.close_month(date(2026, 9, 1), by=None, now=datetime(2026, 10, 2, tzinfo=UTC))
    prices.pause(plan, from_on=date(2026, 9, 16), to_on=date(2026, 10, 1), why="Roof works", by=None, now=now)
    revenue.enter_revenue(through=date(2026, 10, 1), now=now)
    late = RevenueEntry.objects.get(kind=EntryKind.CORRECTION)
    assert (late.month, late.amount) == (date(2026, 10, 1), Decimal("-30.00"))
    assert late.corrects.month == date(2026, 9, 1)
    assert "2026-09, which is closed" in late.text
    total = RevenueEntry.objects.aggregate(total=Sum("amount"))["total"]
    assert total == Decimal("60.00") * 15 / monthrange(2026, 9)[1] + Decimal("60.00")


@pytest.mark.django_db
def test_periods_of_a_kind_may_not_overlap_and_say_why(now):
    plan = factories.plan(factories.site())
    given = {"by": None, "now": now}
    running = prices.discount(
        plan, percent_off=Decimal("12.5"), from_on=date(2026, 3, 1), to_on=None, why="Three sites", **given
    )
    with pytest.raises(DomainError, match="has a discount from 2026-03-01"):
        prices.discount(
            plan, percent_off=Decimal("5"), from_on=date(2026, 6, 1), to_on=None, why="Again", **given
        )
    prices.end_period(running, to_on=date(2026, 6, 1))
    prices.discount(plan, percent_off=Decimal("5"), from_on=date(2026, 6, 1), to_on=None, why="Less", **given)
    with pytest.raises(DomainError, match="says why"):
        prices.pause(plan, from_on=date(2026, 7, 1), to_on=None, why=" ", **given)
    with pytest.raises(DomainError, match="can't be taken off"):
        prices.discount(
            plan, percent_off=Decimal("0"), from_on=date(2027, 6, 1), to_on=None, why="None", **given
        )
