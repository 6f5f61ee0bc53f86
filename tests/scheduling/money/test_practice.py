"""What the company really does with its parts, against what is expected of them."""

import numpy as np
import pytest

from scheduling.money.practice import learn_practice, practised


def test_a_company_that_changes_at_four_fifths_of_the_expected_life_is_found_out():
    rng = np.random.default_rng(11)
    expected = rng.uniform(100, 500, 600)
    earlier = expected * 0.8 * rng.lognormal(0, 0.1, 600)
    found = learn_practice(earlier, expected, np.zeros(600, dtype=np.int64), 1)
    assert found.factor[0] == pytest.approx(0.8, abs=0.02)
    assert found.early_spread[0] == pytest.approx(0.1, abs=0.03)
    assert found.late_spread[0] == pytest.approx(0.1, abs=0.03)
    assert found.changes[0] == 600


def test_a_few_changes_move_the_expected_life_only_a_little_and_none_not_at_all():
    found = learn_practice([50.0, np.nan], [100.0, 100.0], np.array([0, 1]), 2)
    assert 0.9 < found.factor[0] < 1
    assert found.factor[1] == 1
    assert found.changes.tolist() == [1, 0]


def test_dates_move_by_the_share_of_life_and_become_as_unsure_as_the_practice():
    practice = learn_practice([np.nan], [np.nan], np.array([0]), 1)
    found = practised([0.0], [90.0], [100.0], [110.0], np.array([0]), practice)
    assert found.likely_d[0] == 100
    width = (found.late_d[0] - found.likely_d[0]) / 1.2815515655446004
    assert width == pytest.approx(np.hypot(10 / 1.2815515655446004, 15), rel=1e-9)


def test_where_expected_lives_scatter_more_than_the_times_themselves_the_usual_time_counts():
    rng = np.random.default_rng(4)
    earlier = rng.normal(180, 10, 400)
    found = learn_practice(earlier, rng.uniform(40, 600, 400), np.zeros(400, dtype=np.int64), 1)
    assert found.trust[0] < 0.05
    assert found.factor[0] * found.usual_days[0] == pytest.approx(180, abs=3)
    dates = practised([0.0, 0.0], [30.0, 500.0], [40.0, 600.0], [50.0, 700.0], np.array([0, 0]), found)
    assert dates.likely_d == pytest.approx([180, 180], rel=0.12)


def test_where_expected_lives_tell_more_they_are_trusted():
    rng = np.random.default_rng(4)
    expected = rng.uniform(40, 600, 400)
    found = learn_practice(expected * rng.lognormal(0, 0.05, 400), expected, np.zeros(400, dtype=np.int64), 1)
    assert found.trust[0] > 0.95


def test_parts_changed_early_along_with_others_widen_the_early_side_only():
    """A fifth is changed at 60 to 80 % of the life expected, and no rule of thumb sets them aside."""
    rng = np.random.default_rng(12)
    expected = rng.uniform(100, 500, 4000)
    taken_along = rng.random(4000) < 0.2
    share = np.where(taken_along, rng.uniform(0.6, 0.8, 4000), rng.lognormal(0, 0.05, 4000))
    found = learn_practice(expected * share, expected, np.zeros(4000, dtype=np.int64), 1)
    off = np.log(share) - np.median(np.log(share))
    assert found.early_spread[0] == pytest.approx(np.sqrt(np.mean(off[off < 0] ** 2)), abs=0.05)
    assert found.early_spread[0] > 2 * found.late_spread[0]


def test_a_kind_as_a_whole_is_right_though_the_lives_expected_of_young_parts_are_far_off():
    """Old parts, the ones that fall due, are expected to live 183 days; young ones nearly nothing."""
    rng = np.random.default_rng(5)
    expected = np.where(rng.random(400) < 0.5, 183.0, rng.uniform(5, 60, 400))
    found = learn_practice(rng.uniform(160, 216, 400), expected, np.zeros(400, dtype=np.int64), 1)
    zero = np.zeros(1)
    dates = practised(zero, zero + 150, zero + 183, zero + 210, np.zeros(1, dtype=np.int64), found)
    assert dates.life_days[0] == pytest.approx(188, abs=4)
