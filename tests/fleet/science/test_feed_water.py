"""Tests in force and what the feed carried, against sums worked out by hand."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.science.feed_water import (
    FREE_CHLORINE,
    HARDNESS,
    carried_since,
    feed_history,
    index_tests,
    value_in_force,
    value_now,
)
from fleet.science.settings import WearSettings
from fleet.science.use import compute_use
from tests.fleet.science.labelled_meters import NO_GAUGES
from tests.fleet.science.small_shard import NOW_D, feed_tests, steady, units

RULES = WearSettings()
SITE, SUPPLY = np.array([0]), np.array([1])
FIRST = np.array([0])


def chlorine_at(tests, days_ago, site=SITE, supply=SUPPLY):
    at_d = np.array([NOW_D - days_ago])
    return value_in_force(index_tests(tests), FREE_CHLORINE, site, supply, at_d, RULES)[0]


def history_of(tests, of_units=None, readings=None):
    of_units = of_units or units()
    _, _, curves = compute_use(of_units, readings or steady(40.0), NO_GAUGES, NOW_D)
    return feed_history(index_tests(tests), of_units, curves, NOW_D, RULES), curves


BOTH = (
    (0, 300, {"free_chlorine_mg_l": 0.5}),
    (0, 100, {"hardness_mg_l": 90.0}),
    (1, 200, {"free_chlorine_mg_l": 2.0, "hardness_mg_l": 200.0}),
    (1, 50, {"free_chlorine_mg_l": 1.5}),
)


def test_the_sites_own_test_goes_before_the_supplys_newer_one():
    """The supply was tested 50 days ago, the site 300."""
    assert chlorine_at(feed_tests(*BOTH), 10) == 0.5


def test_a_sites_old_test_gives_way_to_the_supplys():
    """After 400 days."""
    tests = feed_tests((0, 450, {"free_chlorine_mg_l": 0.5}), (1, 50, {"free_chlorine_mg_l": 1.5}))
    assert chlorine_at(tests, 49) == 1.5
    assert chlorine_at(tests, 60) == 0.5


def test_each_field_falls_back_by_itself():
    """The site has no hardness before day -100; the supply has, from day -200."""
    index = index_tests(feed_tests(*BOTH))
    at_d = NOW_D - np.array([150.0, 90.0])
    twice = np.zeros(2, dtype=np.int64)
    found = value_in_force(index, HARDNESS, twice, twice + 1, at_d, RULES)
    assert found.tolist() == [200.0, 90.0]


def test_before_any_test_the_first_one_stands():
    """And without a source nothing is known."""
    tests = feed_tests(*BOTH)
    assert chlorine_at(tests, 900) == 0.5
    assert chlorine_at(tests, 900, site=np.array([-1])) == 2.0
    assert np.isnan(chlorine_at(tests, 10, site=np.array([-1]), supply=np.array([-1])))
    assert np.isnan(chlorine_at(feed_tests(), 10))


def test_a_chlorine_surge_counts_from_its_test_on():
    """100 gal of feed a day: 40 days at 0.5 mg/L, then 60 days at 3.0."""
    tests = feed_tests((0, 300, {"free_chlorine_mg_l": 0.5}), (0, 60, {"free_chlorine_mg_l": 3.0}))
    history, curves = history_of(tests)
    carried = carried_since(history, curves, FIRST, np.array([NOW_D - 100]), NOW_D)
    assert carried.feed_gal[0] == pytest.approx(10_000)
    assert carried.free_chlorine[0] == pytest.approx(100 * (40 * 0.5 + 60 * 3.0))
    assert np.isnan(carried.hardness[0])
    assert value_now(history, FREE_CHLORINE)[0] == 3.0


def test_hardness_is_summed_over_gallons_and_over_days():
    """One and the same hardness of 200 mg/L for 50 days."""
    history, curves = history_of(feed_tests((0, 10, {"hardness_mg_l": 200.0})))
    carried = carried_since(history, curves, FIRST, np.array([NOW_D - 50]), NOW_D)
    assert carried.hardness[0] == pytest.approx(200 * 5000)
    assert carried.hardness_days[0] == pytest.approx(200 * 50)


@settings(max_examples=40, deadline=None)
@given(
    sampled=st.lists(st.floats(1, 700), min_size=1, max_size=8, unique=True),
    levels=st.lists(st.floats(0, 4), min_size=8, max_size=8),
    since=st.floats(1, 800),
)
def test_the_integral_is_a_fine_riemann_sum(sampled, levels, since):
    """Against a sum over 4000 small steps with the value looked up at each."""
    rows = [
        (0, days, {"free_chlorine_mg_l": level})
        for days, level in zip(sorted(sampled, reverse=True), levels, strict=False)
    ]
    tests = feed_tests(*rows)
    history, curves = history_of(tests)
    found = carried_since(history, curves, FIRST, np.array([NOW_D - since]), NOW_D).free_chlorine[0]
    edges = np.linspace(NOW_D - since, NOW_D, 4001)
    middle = (edges[1:] + edges[:-1]) / 2
    row = np.zeros(4000, dtype=np.int64)
    level = value_in_force(index_tests(tests), FREE_CHLORINE, row, row - 1, middle, RULES)
    assert found == pytest.approx(100 * (level * np.diff(edges)).sum(), rel=0.01, abs=since * 0.1 + 1)


def test_unsorted_tests_are_refused():
    """A clear error, not a wrong figure."""
    with pytest.raises(ValueError, match="sorted"):
        index_tests(feed_tests((0, 10, {"ph": 7.0}), (0, 20, {"ph": 7.0})))
