"""Charts and slopes against handbook examples and a reference library."""

import numpy as np
import pytest
from scipy.stats import kendalltau, theilslopes

from fleet.science.change import (
    cusum,
    ewma,
    ewma_variance,
    group_medians,
    median_of_rows,
    newest_window,
    take_window,
    theil_sen,
)
from tests.fleet.science.published import published


def test_ewma_reproduces_the_nist_example():
    """NIST e-Handbook 6.3.2.4, all twenty averages to their two printed decimals, and both limits."""
    table = published("nist_ewma")
    averages = ewma(table["value"].to_numpy(), 0.3, start=50)
    np.testing.assert_allclose(averages, table["average"], atol=5.01e-3)
    half_width = 3 * 2.0539 * np.sqrt(ewma_variance(1000, 0.3))
    np.testing.assert_allclose([50 + half_width, 50 - half_width], [52.5884, 47.4115], atol=1e-4)


def test_ewma_variance_is_that_of_simulated_averages():
    """20 000 rows of unit normal points, after 1, 3 and 10 of them."""
    averages = ewma(np.random.default_rng(5).standard_normal((20_000, 10)), 0.25)
    for count in (1, 3, 10):
        assert averages[:, count - 1].var() == pytest.approx(ewma_variance(count, 0.25), rel=0.04)


def test_cusum_reproduces_the_montgomery_and_runge_example():
    """Applied Statistics and Probability for Engineers, example 16-6, both sums at all twenty points."""
    table = published("montgomery_runge_cusum")
    rises, falls = cusum(table["value"].to_numpy(), target=99, slack=1)
    np.testing.assert_allclose(rises, table["rise"], atol=1e-9)
    np.testing.assert_allclose(falls, table["fall"], atol=1e-9)


@pytest.mark.parametrize(
    ("shift", "limit", "published_run"), [(0.0, 4, 336), (1.0, 4, 8.38), (0.0, 5, 930), (1.0, 5, 10.4)]
)
def test_cusum_run_lengths_are_those_of_the_handbook(shift, limit, published_run):
    """NIST e-Handbook 6.3.2.3.1, k = 1/2, h = 4 and 5, one-sided; 1500 simulated rows."""
    steps = 6000 if shift == 0 else 200
    points = np.random.default_rng(6).standard_normal((1500, steps)) + shift
    rises, _ = cusum(points, target=0, slack=0.5)
    is_out = rises > limit
    run = np.where(is_out.any(axis=1), is_out.argmax(axis=1) + 1, steps)
    assert run.mean() == pytest.approx(published_run, rel=0.08)


def test_a_point_not_taken_leaves_both_charts_where_they_are():
    points, gappy = np.array([1.0, 2.0, 3.0]), np.array([1.0, np.nan, 2.0, np.nan, 3.0])
    assert ewma(points, 0.3)[-1] == ewma(gappy, 0.3)[-1]
    assert cusum(points, 0, 0.5)[0][-1] == cusum(gappy, 0, 0.5)[0][-1]


def test_the_median_of_ten_pairwise_slopes():
    """Wilcox's example of Sen's slope as printed by statisticshowto: 756.5."""
    slopes = np.array([[-340.0, 130, 496, 561, 713, 800, 851, 952, 1184, 1327]])
    assert median_of_rows(slopes)[0] == 756.5


def test_slopes_agree_with_scipy_row_by_row():
    """scipy.stats.theilslopes (Conover's intercept) and kendalltau on rows with gaps and shared times."""
    rng = np.random.default_rng(7)
    times = np.sort(rng.integers(0, 60, (40, 26)).astype(float), axis=1)
    points = 0.3 * times + rng.standard_normal((40, 26)) * 4
    points[rng.random((40, 26)) < 0.2] = np.nan
    slope, intercept, _, used = theil_sen(times, points)
    for row in range(40):
        is_known = np.isfinite(points[row])
        reference = theilslopes(points[row, is_known], times[row, is_known], method="separate")
        assert slope[row] == pytest.approx(reference.slope, rel=1e-12)
        assert intercept[row] == pytest.approx(reference.intercept, rel=1e-9)
        assert used[row] == is_known.sum()
    distinct = np.arange(26.0)[None, :]
    steady = 0.05 * distinct + rng.standard_normal((1, 26))
    concordance = kendalltau(distinct[0], steady[0]).statistic * 26 * 25 / 2
    expected = concordance / np.sqrt(26 * 25 * 57 / 18)
    assert theil_sen(distinct, steady)[2][0] == pytest.approx(expected, rel=1e-9)


def test_rows_without_two_points_have_no_slope():
    slope, intercept, score, used = theil_sen(np.zeros((2, 4)), np.array([[np.nan] * 4, [1, *[np.nan] * 3]]))
    assert np.isnan(slope).all()
    assert np.isnan(intercept).all()
    assert np.isnan(score).all()
    assert list(used) == [0, 1]


def test_medians_by_group_agree_with_numpy():
    rng = np.random.default_rng(8)
    group = np.sort(rng.integers(0, 50, 200))
    values = rng.standard_normal(200)
    values[rng.random(200) < 0.3] = np.nan
    found = group_medians(group, 60, values)
    for number in range(60):
        known = values[(group == number) & np.isfinite(values)]
        if len(known):
            assert found[number] == pytest.approx(np.median(known), rel=1e-15)
        else:
            assert np.isnan(found[number])


def test_a_window_holds_the_newest_rows_of_each_group():
    rows = newest_window(np.array([0, 0, 0, 2]), 0, 3, 2)
    assert rows.tolist() == [[1, 2], [-1, -1], [-1, 3]]
    np.testing.assert_array_equal(take_window(np.array([5.0, 6, 7, 8]), rows[2]), [np.nan, 8])
