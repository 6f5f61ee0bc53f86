"""Counts ahead agree with a reference library, with simulation, and with plain sums."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import poisson_binom

from scheduling.money.forecast import at_least_one, changes_due, count_distribution, count_quantile, score

CHANCES = st.lists(st.floats(0, 1), min_size=1, max_size=40)


@settings(deadline=None)
@given(CHANCES)
def test_the_distribution_of_a_count_is_that_of_the_reference_library(chances):
    found = count_distribution(chances)
    assert found == pytest.approx(poisson_binom.pmf(np.arange(len(chances) + 1), chances), abs=1e-12)
    assert found @ np.arange(len(found)) == pytest.approx(sum(chances), abs=1e-9)


@settings(deadline=None)
@given(CHANCES, st.floats(0.02, 0.98))
def test_the_quantile_is_the_smallest_count_that_is_enough(chances, share):
    count = count_quantile(chances, share)
    found = np.cumsum(count_distribution(chances))
    assert found[min(count, len(found) - 1)] >= share - 1e-9
    assert count == 0 or found[count - 1] < share + 1e-9


def test_many_chances_keep_mean_and_variance():
    chances = np.random.default_rng(7).uniform(0, 0.2, 5000)
    found = count_distribution(chances)
    counts = np.arange(len(found))
    mean = found @ counts
    assert mean == pytest.approx(chances.sum(), rel=1e-9)
    assert found @ (counts - mean) ** 2 == pytest.approx((chances * (1 - chances)).sum(), rel=1e-7)


@pytest.mark.parametrize("highest", [0.01, 0.1, 0.5, 1.0])
@pytest.mark.parametrize("share", [0.5, 0.9, 0.99])
def test_the_quantile_of_many_is_within_one_of_the_exact(highest, share):
    chances = np.random.default_rng(5).uniform(0, highest, 4000)
    exact = int(np.searchsorted(np.cumsum(count_distribution(chances)), share))
    assert abs(count_quantile(chances, share) - exact) <= 1


def test_nothing_that_can_happen_needs_nothing():
    assert count_quantile([], 0.9) == 0
    with pytest.raises(ValueError, match="between 0 and 1"):
        count_quantile([0.5], 1.0)
    with pytest.raises(ValueError, match="0 to 1"):
        count_distribution([1.2])


def test_changes_of_a_place_in_the_long_run_come_once_a_life():
    edges = np.arange(0.0, 3601.0, 30.0)
    found = changes_due([40.0], [60.0], [80.0], [90.0], edges)
    by_month = found.chance.sum(axis=0)
    assert by_month[60:].mean() == pytest.approx(30 / 90, rel=0.02)


def test_what_is_overdue_is_due_in_the_first_month_and_its_successor_a_life_later():
    edges = np.arange(1000.0, 1361.0, 30.0)
    found = changes_due([840.0], [850.0], [860.0], [180.0], edges)
    assert found.chance[0, 0] == pytest.approx(1.0, abs=1e-3)
    successor = found.chance[1] @ (edges[:-1] + 15)
    assert successor == pytest.approx(1000 + 180, abs=6)
    assert found.part_row.tolist()[:2] == [0, 0]


def test_expected_counts_agree_with_simulated_renewals():
    rng = np.random.default_rng(3)
    edges = np.array([0.0, 91.0, 182.0, 273.0, 365.0])
    early, likely, late, life = 60.0, 100.0, 140.0, 150.0
    spread = (late - likely) / 1.2815515655
    own = min(max(spread / likely, 0.08), 0.35) * life
    times = rng.normal(likely, spread, 40_000)
    counts = np.zeros(4)
    while (times < edges[-1]).any():
        counts += np.histogram(np.maximum(times, 0.0), edges)[0]
        times = times + rng.normal(life, own, len(times))
    found = changes_due([early], [likely], [late], [life], edges).chance.sum(axis=0)
    assert found == pytest.approx(counts / 40_000, abs=0.01)


def test_a_part_without_dates_asks_for_nothing():
    found = changes_due([np.nan], [np.nan], [np.nan], [100.0], [0.0, 30.0])
    assert found.chance.shape == (0, 1)


def test_a_site_is_visited_when_at_least_one_of_its_parts_is_due():
    chance = np.array([[0.5, 0.0], [0.5, 1.0], [0.2, 0.1]])
    assert at_least_one(chance, np.array([0, 0, 1]), 3) == pytest.approx(
        np.array([[0.75, 1.0], [0.2, 0.1], [0.0, 0.0]])
    )


def test_a_score_tells_error_bias_and_whether_the_high_number_was_enough():
    found = score([10, 4, 6], [8, 5, np.nan], [11, 3, 9])
    assert (found.compared, found.actual, found.forecast) == (2, 14, 13)
    assert found.mean_absolute_error == pytest.approx(1.5)
    assert found.relative_error == pytest.approx(3 / 14)
    assert found.bias == pytest.approx(13 / 14 - 1)
    assert found.enough == pytest.approx(0.5)
