"""When a visit pays: optimum against printed and independent values, windows against sums by hand."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import minimize_scalar
from scipy.stats import weibull_min

from fleet.science.economics import (
    age_replacement,
    chance_past,
    day_of_chance,
    due_window,
    replacement_cost_rate,
)

DATES = (100.0, 160.0, 260.0)


def test_published_example_of_the_best_age():
    """The documentation of the reliability library for Python, its example: scale 1000, shape 2.5, planned 1,
    failure 5. It prints a best age of 493.19 and a cost of 0.0035. It searches in steps; the exact optimum is
    493.047, 0.03 % lower."""
    best = age_replacement(1000.0, 2.5, 1.0, 5.0)
    assert best.best_age == pytest.approx(493.19, abs=0.2)
    assert best.cost_rate == pytest.approx(0.0035, abs=5e-5)
    assert best.cost_rate <= replacement_cost_rate(493.19, 1000.0, 2.5, 1.0, 5.0)


def test_own_example_of_the_best_age():
    """Own arithmetic, not published: shape 3, scale 150 days, planned 2, failure 8."""
    best = age_replacement(150.0, 3.0, 2.0, 8.0)
    assert best.best_age == pytest.approx(83.123, abs=0.001)
    assert best.cost_rate == pytest.approx(0.036850, abs=1e-6)
    assert best.failure_cost_rate == pytest.approx(0.059725, abs=1e-6)
    assert best.is_worthwhile


def test_best_ages_of_many_parts_at_once_agree_with_a_separate_minimum_search():
    rng = np.random.default_rng(4)
    shape, scale = rng.uniform(1.3, 5, 12), rng.uniform(100, 9000, 12)
    planned, extra = rng.uniform(20, 200, 12), rng.uniform(50, 2000, 12)
    best = age_replacement(scale, shape, planned, planned + extra)
    for i in range(12):
        part = weibull_min(shape[i], scale=scale[i])

        def rate(age, part=part, i=i):
            good = part.sf(age)
            mean_time = quad(part.sf, 0, age, epsabs=1e-10)[0]
            return (planned[i] * good + (planned[i] + extra[i]) * (1 - good)) / mean_time

        found = minimize_scalar(rate, bounds=(scale[i] * 0.01, scale[i]), method="bounded")
        assert best.cost_rate[i] == pytest.approx(found.fun, rel=1e-6)
        assert best.best_age[i] == pytest.approx(found.x, rel=1e-5)


def test_cost_rate_is_what_a_long_row_of_parts_really_costs():
    rng = np.random.default_rng(9)
    life = 1000 * rng.weibull(2.5, 400_000)
    age = 493.19
    cost = np.where(life < age, 5.0, 1.0).sum() / np.minimum(life, age).sum()
    assert replacement_cost_rate(age, 1000.0, 2.5, 1.0, 5.0) == pytest.approx(cost, rel=0.005)


@pytest.mark.parametrize(
    ("shape", "planned", "failure"),
    [(1.0, 1.0, 5.0), (0.7, 1.0, 5.0), (2.5, 5.0, 5.0), (2.5, 5.0, 1.0), (1.01, 1.0, 1.05)],
)
def test_parts_that_do_not_wear_or_fail_cheaply_are_run_to_failure(shape, planned, failure):
    best = age_replacement(1000.0, shape, planned, failure)
    assert not best.is_worthwhile
    assert np.isinf(best.best_age)
    assert best.cost_rate == pytest.approx(best.failure_cost_rate)


def test_an_unknown_scale_gives_no_age_and_spoils_no_neighbour():
    best = age_replacement([np.nan, 1000.0], 2.5, 1.0, 5.0)
    assert np.isnan(best.best_age[0])
    assert not best.is_worthwhile[0]
    assert best.best_age[1] == pytest.approx(493.19, abs=0.2)


def test_chances_are_right_at_the_three_dates_and_days_invert_them():
    assert chance_past(np.array(DATES), *DATES) == pytest.approx([0.1, 0.5, 0.9])
    chances = np.array([0.02, 0.1, 0.4, 0.5, 0.8, 0.97])
    assert chance_past(day_of_chance(chances, *DATES), *DATES) == pytest.approx(chances)


def test_dates_that_fall_together_make_a_step():
    assert chance_past([99.0, 100.0, 101.0], 100.0, 100.0, 100.0).tolist() == [0.0, 1.0, 1.0]


def test_a_window_redone_by_hand():
    """Part 60, trip 90, life 300 days, failure 900. Early: 300 × 90 / 150 = 180 days before the likely date.
    Late: chance 90 / 900 = 10 %, which is the early date."""
    before, after = due_window(*DATES, 300.0, 60.0, 90.0, 900.0)
    assert before == pytest.approx(160 - 180)
    assert after == pytest.approx(100)


def test_a_harmless_end_waits_for_the_greatest_accepted_chance():
    assert due_window(*DATES, 300.0, 60.0, 90.0, 0.0)[1] == pytest.approx(160)
    assert due_window(*DATES, 300.0, 60.0, 90.0, 0.0, greatest_chance=0.9)[1] == pytest.approx(260)


def test_without_a_trip_to_save_no_life_is_wasted():
    before, after = due_window(*DATES, 300.0, 60.0, 0.0, 0.0)
    assert before == after == pytest.approx(160)


def test_risk_wins_where_the_ends_cross():
    before, after = due_window(*DATES, 300.0, 2000.0, 10.0, 1000.0)
    assert before == after == pytest.approx(float(day_of_chance(0.01, *DATES)))


def test_early_end_is_the_renewal_optimum_when_shared_visits_are_rare():
    """Other visits come at random, rarely; a part with w days to go or fewer is changed at one. A cycle costs
    part + trip exp(-λw) and lasts life - w + (1 - exp(-λw)) / λ; the w of least cost per day is ours."""
    part, trip, life, rate = 60.0, 90.0, 300.0, 1e-5

    def cost_per_day(spare):
        missed = np.exp(-rate * spare)
        return 1e6 * (part + trip * missed) / (life - spare - np.expm1(-rate * spare) / rate)

    found = minimize_scalar(cost_per_day, bounds=(0, life), method="bounded", options={"xatol": 1e-3})
    before, _ = due_window(*DATES, life, part, trip, 0.0)
    assert 160 - before == pytest.approx(found.x, rel=0.01)


money = st.floats(0, 5000)


@given(
    gaps=st.tuples(st.floats(0, 400), st.floats(0, 400)),
    life=st.floats(1, 2000),
    part=money,
    trip=money,
    failure=money,
)
def test_every_window_starts_before_it_ends_and_never_before_installation(gaps, life, part, trip, failure):
    likely = 20_000.0
    before, after = due_window(likely - gaps[0], likely, likely + gaps[1], life, part, trip, failure)
    assert before <= after <= likely + 1e-6
    assert before >= min(likely - life, after) - 1e-6


def test_a_part_without_a_date_has_no_window():
    before, after = due_window([np.nan, 100.0], [np.nan, 160.0], [np.nan, 260.0], 300.0, 60.0, 90.0, 900.0)
    assert np.isnan([before[0], after[0]]).all()
    assert np.isfinite([before[1], after[1]]).all()


def test_an_impossible_chance_is_refused():
    with pytest.raises(ValueError, match="greatest_chance"):
        due_window(*DATES, 300.0, 60.0, 90.0, 900.0, greatest_chance=1.5)
