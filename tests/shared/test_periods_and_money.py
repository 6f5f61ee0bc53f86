"""Days at a place, months, the two nights when clocks change, and cents that add up."""

from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.money import split_cents, to_cents
from shared.periods import add_months, days_from, local_day, local_moment, months_between

CHICAGO = "America/Chicago"


def test_a_moment_after_midnight_utc_is_still_yesterday_in_chicago():
    assert local_day(datetime(2026, 11, 3, 2, tzinfo=UTC), CHICAGO) == date(2026, 11, 2)


def test_a_moment_without_a_zone_is_refused():
    with pytest.raises(ValueError, match="time zone"):
        local_day(datetime(2026, 11, 3, 2), CHICAGO)  # noqa: DTZ001


@pytest.mark.parametrize(("day", "hours"), [(date(2026, 3, 8), 23), (date(2026, 11, 1), 25)])
def test_the_days_when_clocks_change_are_an_hour_off_but_eight_stays_eight(day, hours):
    begins = local_moment(day, time(0), CHICAGO)
    ends = local_moment(day + timedelta(days=1), time(0), CHICAGO)
    assert ends - begins == timedelta(hours=hours)
    assert local_moment(day, time(8), CHICAGO).astimezone(ZoneInfo(CHICAGO)).time() == time(8)


@given(st.dates(date(2000, 1, 1), date(2060, 1, 1)), st.integers(-240, 240))
def test_months_keep_the_day_or_take_the_last_one(day, months):
    moved = add_months(day, months)
    assert (moved.year * 12 + moved.month) - (day.year * 12 + day.month) == months
    assert moved.day == day.day or (moved + timedelta(days=1)).day == 1


def test_months_and_days_in_a_row():
    assert list(months_between(date(2026, 11, 25), date(2027, 1, 2))) == [
        date(2026, 11, 1), date(2026, 12, 1), date(2027, 1, 1),
    ]  # fmt: skip
    assert days_from(date(2026, 2, 28), 2) == [date(2026, 2, 28), date(2026, 3, 1)]


@given(
    st.decimals(-100_000, 100_000, places=2),
    st.lists(st.decimals(0, 1000, places=3), min_size=1, max_size=13).filter(lambda w: sum(w) > 0),
)
def test_the_pieces_of_an_amount_add_up_to_it_to_the_cent(amount, weights):
    pieces = split_cents(amount, weights)
    assert sum(pieces) == to_cents(amount)
    total = sum(weights)
    for piece, weight in zip(pieces, weights, strict=True):
        assert abs(piece - amount * weight / total) < Decimal("0.01")


def test_half_a_cent_goes_up_as_on_an_invoice():
    assert to_cents(Decimal("2.345")) == Decimal("2.35")
    assert to_cents(Decimal("-2.345")) == Decimal("-2.35")


def test_money_in_floats_is_refused():
    with pytest.raises(TypeError, match="Decimal"):
        to_cents(2.5)


def test_nothing_to_split_by_is_refused():
    with pytest.raises(ValueError, match="positive sum"):
        split_cents(Decimal("1"), [Decimal("0")])
