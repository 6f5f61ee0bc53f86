"""Money of plans: pieces add up to the price to the cent, whatever the dates."""

from datetime import date, timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from scheduling.contracts.plan_money import MONTHS_OF, DatedPrice, earned_in, month_shares, months_of
from shared.periods import add_months, month_start

PRICES = st.decimals("0.00", "99999.99", places=2)
INTERVALS = st.sampled_from(sorted(MONTHS_OF))
DAYS = st.dates(date(2020, 1, 1), date(2030, 12, 31))


def earned(interval, starts_on, ends_on, prices, months):
    return [
        earned_in(month, interval=interval, starts_on=starts_on, ends_on=ends_on, prices=prices)
        for month in months
    ]


@given(PRICES, INTERVALS)
def test_the_months_of_an_interval_add_up_to_its_price(price, interval):
    shares = month_shares(price, interval)
    assert len(shares) == MONTHS_OF[interval]
    assert sum(shares) == price
    assert max(shares) - min(shares) <= Decimal("0.01")


@given(PRICES, INTERVALS, st.dates(date(2020, 1, 1), date(2030, 12, 1)), st.integers(1, 4))
def test_whole_intervals_from_the_first_of_a_month_earn_their_price(price, interval, day, count):
    first = month_start(day)
    months = [add_months(first, i) for i in range(MONTHS_OF[interval] * count)]
    assert sum(earned(interval, first, None, [DatedPrice(first, price)], months)) == price * count


@given(PRICES, DAYS, st.data())
def test_a_month_handed_from_one_plan_to_the_next_is_earned_once(price, day, data):
    month = month_start(day)
    after = add_months(month, 1)
    turn = month + timedelta(days=data.draw(st.integers(1, (after - month).days - 1)))
    before = earned_in(
        month, interval="month", starts_on=month, ends_on=turn, prices=[DatedPrice(month, price)]
    )
    rest = earned_in(month, interval="month", starts_on=turn, ends_on=after, prices=[DatedPrice(turn, price)])
    assert abs(before + rest - price) <= Decimal("0.01")
    assert before >= 0
    assert rest >= 0


@given(PRICES, PRICES, DAYS)
def test_a_new_price_from_the_middle_of_a_month_earns_between_the_two(old, new, day):
    month = month_start(day)
    prices = [DatedPrice(month, old), DatedPrice(day, new)] if day > month else [DatedPrice(month, new)]
    (amount,) = earned("month", month, None, prices, [month])
    assert min(old, new) - Decimal("0.01") <= amount <= max(old, new) + Decimal("0.01")


@pytest.mark.parametrize(
    ("starts_on", "ends_on", "amount"),
    [
        (date(2026, 4, 16), None, "15.00"),  # 15 of 30 days of 30.00
        (date(2026, 4, 1), date(2026, 4, 11), "10.00"),  # 10 of 30 days
        (date(2026, 4, 30), None, "1.00"),
        (date(2026, 5, 1), None, "0.00"),
        (date(2026, 1, 1), date(2026, 4, 1), "0.00"),
        (date(2026, 4, 30), date(2026, 5, 1), "1.00"),
    ],
)
def test_a_part_of_a_month_earns_by_the_day(starts_on, ends_on, amount):
    price = [DatedPrice(starts_on, Decimal("30.00"))]
    assert earned("month", starts_on, ends_on, price, [date(2026, 4, 1)]) == [Decimal(amount)]


def test_a_year_of_100_is_split_with_the_odd_cents_first():
    assert month_shares(Decimal("100.00"), "year")[:5] == (Decimal("8.34"),) * 4 + (Decimal("8.33"),)


def test_before_its_first_price_a_plan_earns_nothing():
    price = [DatedPrice(date(2026, 3, 1), Decimal("10"))]
    months = months_of(date(2026, 1, 1), None, date(2026, 3, 31))
    assert earned("month", date(2026, 1, 1), None, price, months) == [0, 0, 10]


@given(DAYS, st.one_of(st.none(), DAYS), DAYS)
def test_the_months_of_a_plan_are_those_it_covers_a_day_of(starts_on, ends_on, through):
    months = months_of(starts_on, ends_on, through)
    for month in months:
        assert month < add_months(month, 1)
        assert add_months(month, 1) > starts_on
        assert month <= through
        assert ends_on is None or month < ends_on
    assert len(set(months)) == len(months)
