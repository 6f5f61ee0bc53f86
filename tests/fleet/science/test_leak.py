"""The leak of carbon as it is used up: closed forms against sums, anchors, cost of waiting."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq

from fleet.science.carbon import (
    contact_time_min,
    end_wear,
    fresh_halvings,
    leak_share,
    leaked_wear,
    mean_leak,
    membrane_life_lost,
    wear_of_leak,
)
from fleet.science.settings import WearSettings


def test_one_cubic_foot_at_one_gallon_per_minute_is_7_48_minutes():
    """1 ft3 is 1728/231 gal."""
    assert contact_time_min(np.array([1.0]), np.array([1.0]))[0] == pytest.approx(7.48, abs=0.001)
    assert np.isnan(contact_time_min(np.array([1.0]), np.array([0.0]))[0])


def test_at_the_rated_end_half_the_chlorine_passes():
    """NSF/ANSI 42 asks for 50 % reduction through rated capacity (value from memory)."""
    halvings = np.array([2.0, 6.0, 12.0])
    assert leak_share(np.ones(3), halvings) == pytest.approx([0.5, 0.5, 0.5])
    assert leak_share(np.zeros(3), halvings) == pytest.approx(0.5**halvings)
    assert leak_share(np.full(3, 9.0), halvings) == pytest.approx([1, 1, 1])


def test_depth_halves_the_concentration():
    """DIN 19603: C/C0 = 0.5^(L/Lhalf); one half time more of contact halves the leak."""
    rules = WearSettings()
    contact = np.array([2.0, 2.5])
    leak = leak_share(np.zeros(2), fresh_halvings(contact, rules))
    assert leak[1] / leak[0] == pytest.approx(0.5)
    assert fresh_halvings(np.array([np.nan]), rules)[0] == rules.fresh_halvings


@settings(max_examples=80, deadline=None)
@given(wear=st.floats(0, 3), halvings=st.floats(2, 12))
def test_the_leaked_dose_is_the_integral_of_the_leak(wear, halvings):
    """Against scipy.integrate.quad."""
    n = np.array([halvings])
    end = halvings / (halvings - 1)
    expected, _ = quad(lambda x: leak_share(np.array([x]), n)[0], 0, wear, points=[min(end, wear)])
    assert leaked_wear(np.array([wear]), n)[0] == pytest.approx(expected, rel=1e-6, abs=1e-9)


@settings(max_examples=50, deadline=None)
@given(low=st.floats(0, 2), step=st.floats(0, 1), halvings=st.floats(2, 12))
def test_the_leak_grows_with_wear_and_the_mean_lies_between(low, step, halvings):
    """Never above 1."""
    n, begin, end = np.array([halvings]), np.array([low]), np.array([low + step])
    first, last = leak_share(begin, n)[0], leak_share(end, n)[0]
    assert 0 < first <= last <= 1
    assert first - 1e-6 <= mean_leak(begin, end, n)[0] <= last + 1e-6


def test_a_week_of_delay_costs_more_the_longer_it_has_been_put_off():
    """1 mg/L, 10 running hours a day, 500 mg·h/L: at full leak a week takes 14 % of a 300 membrane."""
    wear = np.array([0.5, 0.8, 1.1, 3.0])
    lost = membrane_life_lost(wear, np.full(4, 0.005), np.full(4, 6.0), np.full(4, 10.0), np.full(4, 500.0))
    money = lost * 300
    assert (np.diff(money) > 0).all()
    assert money[0] < 4
    assert money[3] == pytest.approx(300 * 0.14, rel=0.02)


def test_fresh_carbon_on_time_costs_nothing():
    """The week is compared with fresh carbon."""
    lost = membrane_life_lost(np.zeros(1), np.full(1, 0.01), np.full(1, 6.0), np.ones(1), np.full(1, 500.0))
    assert lost[0] == 0.0


def test_the_published_half_value_depth_halves_the_chlorine():
    """A carbon supplier's example for DIN 19603: 3 cm at 3.6 m/h. Twice that depth leaves a quarter."""
    contact_min = np.array([6.0 / (360 / 60)])
    assert leak_share(np.zeros(1), fresh_halvings(contact_min, WearSettings()))[0] == pytest.approx(0.25)


@pytest.mark.parametrize(
    ("feed", "halvings", "end"), [(2.0, 12.0, 0.698), (2.0, 6.0, 0.336), (0.1, 6.0, 1.0)]
)
def test_free_chlorine_alone_reaches_the_limit_where_the_depth_law_says(feed, halvings, end):
    """(N - log2(C / 0.1)) / (N - 1) by hand; water below the limit lasts to the rated end."""
    found = end_wear(np.array([feed]), np.zeros(1), np.array([halvings]), np.array([3.0]), 0.1)
    assert found[0] == pytest.approx(end, abs=0.001)


@settings(max_examples=60, deadline=None)
@given(free=st.floats(0, 4), chloramine=st.floats(0, 4), n=st.floats(2, 12), slower=st.floats(0.2, 1))
def test_at_the_end_the_two_oxidants_add_up_to_the_limit(free, chloramine, n, slower):
    """Each by its own law, as scipy's root finder has it."""
    found = end_wear(*(np.array([value]) for value in (free, chloramine, n, n * slower)), 0.1)[0]

    def leak(wear):
        left = 1 - wear * (n - 1) / n
        return free * 0.5 ** (n * left) + chloramine * 0.5 ** (n * slower * left) - 0.1

    if leak(0.0) > 0:
        assert np.isnan(found)
    elif leak(1.0) <= 0:
        assert found == 1.0
    else:
        assert found == pytest.approx(brentq(leak, 0, 1), abs=1e-6)


def test_what_was_found_behind_the_bed_is_turned_back_into_its_wear():
    wear, halvings = np.array([0.2, 0.5, 0.8]), np.full(3, 6.0)
    found = wear_of_leak(2.0 * leak_share(wear, halvings), np.full(3, 2.0), halvings)
    assert found[:2] == pytest.approx(wear[:2])
    assert np.isnan(wear_of_leak(np.array([0.5]), np.array([0.9]), np.array([6.0]))[0])
