"""How many parts to hold, against distributions from outside."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, norm

from scheduling.stock.selectors import chance_due_by, need

DAY = date(2026, 11, 2)


@pytest.mark.parametrize(
    ("count", "chance"), [(1, 0.5), (7, 0.2), (40, 0.35), (300, 0.05), (50, 0.0), (9, 1.0)]
)
def test_with_equal_chances_it_is_the_binomial_quantile(count, chance):
    found = need(3, [chance] * count)
    assert found.hold == 3 + binom.ppf(0.95, count, chance)
    assert found.expected == pytest.approx(count * chance)


def test_unequal_chances_by_hand():
    # Two coins of 0.9 and 0.1: none 0.09, one 0.82, both 0.09; 95 % needs both.
    assert need(0, [0.9, 0.1]).hold == 2
    assert need(0, [0.9, 0.1], sure=0.9).hold == 1
    assert need(0, [0.9, 0.1], sure=0.05).hold == 0


def test_nothing_due_needs_only_what_orders_ask_for():
    assert need(4, []).hold == 4


@given(st.lists(st.floats(0, 1), max_size=60), st.integers(0, 20))
def test_more_parts_never_need_less_and_never_more_than_all(chances, standing):
    found = need(standing, chances)
    assert standing <= found.hold <= standing + len(chances)
    assert need(standing, [*chances, 0.5]).hold >= found.hold


@pytest.mark.parametrize("bad", [[1.2], [-0.1], [float("nan")]])
def test_a_chance_that_is_none_is_refused(bad):
    with pytest.raises(ValueError, match="between 0 and 1"):
        need(0, bad)


def test_the_dates_are_the_10_50_and_90_percent_points():
    early, likely, late = DAY, DAY + timedelta(30), DAY + timedelta(90)
    for day, chance in ((early, 0.1), (likely, 0.5), (late, 0.9)):
        assert chance_due_by(day, early, likely, late) == pytest.approx(chance, abs=1e-9)
    between = chance_due_by(DAY + timedelta(60), early, likely, late)
    assert between == pytest.approx(norm.cdf(norm.ppf(0.9) / 2))


def test_dates_that_coincide_make_a_step():
    assert chance_due_by(DAY - timedelta(1), DAY, DAY, DAY) == 0
    assert chance_due_by(DAY, DAY, DAY, DAY) == 1


@given(st.integers(0, 400), st.integers(0, 400), st.integers(-500, 900), st.integers(0, 50))
def test_the_chance_only_grows_with_time(left, right, offset, step):
    early, likely, late = DAY, DAY + timedelta(left), DAY + timedelta(left + right)
    day = DAY + timedelta(offset)
    assert chance_due_by(day, early, likely, late) <= chance_due_by(
        day + timedelta(step), early, likely, late
    )
