"""How often the chart cries wolf and how soon it sees: from noisy gauges to alarm, week by week.

Sites swing through seasons, line pressure, salinity and valve setting; gauges err as in membrane_model.
"""

from dataclasses import fields

import numpy as np
import pytest

from fleet.science.columns import PerformanceReadings
from fleet.science.decay import assess_performance
from tests.fleet.science.membrane_model import respond, some_membranes, some_units, swinging_site, to_readings

pytestmark = pytest.mark.slow
FIRST_WEEK = 8


def weeks_to_alarm(units, weeks, loss, noise, seed, stated_k=(3020.0, 2640.0)):
    """Week of each unit's first alarm, ``weeks`` where there is none; ``loss`` of permeability by day. The
    true constants are 3020 and 2640, ``stated_k`` what the catalogue says."""
    rng = np.random.default_rng(seed)
    at_d = 7.0 * np.arange(weeks)[None, :] + rng.uniform(-1, 1, (units, weeks)) + 3
    site, one = swinging_site(rng, at_d), np.ones((units, weeks))
    answer = respond(site, 0.0075 * (1 - loss(at_d)), 0.012 * one, 8 * one)
    rows = np.arange(units)
    readings = to_readings(rows[:, None], at_d, site, answer, rng, noise)
    parts = some_membranes(rows, 0.0, *stated_k)
    first = np.full(units, weeks)
    for week in range(FIRST_WEEK, weeks):
        known = readings.read_at_d <= 7.0 * week + 4.5
        so_far = PerformanceReadings(
            **{item.name: getattr(readings, item.name)[known] for item in fields(readings)}
        )
        judged, _ = assess_performance(some_units(units), parts, so_far, 7.0 * week + 4.5)
        first = np.where(judged.is_alarm & (first == weeks), week, first)
    return first


def years_per_false_alarm(noise):
    """Unit-years watched over alarms raised, on membranes that do not change."""
    weeks = 110
    first = weeks_to_alarm(400, weeks, np.zeros_like, noise, seed=31)
    return (first - FIRST_WEEK).sum() / 52.2 / max((first < weeks).sum(), 1)


def test_a_sound_unit_read_weekly_gives_a_false_alarm_in_far_more_than_a_year():
    """Required: 1 year. Measured: one alarm in 780 unit-years here, 310 and 414 in two longer runs."""
    assert years_per_false_alarm(noise=1) > 100


def test_with_gauges_twice_as_bad_it_is_still_years():
    """Measured: 14 unit-years."""
    assert years_per_false_alarm(noise=2) > 7


def test_a_loss_of_ten_percent_over_ninety_days_is_seen_before_it_is_complete():
    """Measured: median 75 days after onset (at 8.3 % loss), nine in ten by day 96, 99.5 % by day 150."""
    onset = 70.0
    first = weeks_to_alarm(400, 32, lambda at_d: 0.10 * np.clip((at_d - onset) / 90, 0, 1), 1, seed=32)
    delay_d = 7.0 * first + 4.5 - onset
    assert (delay_d > 0).mean() > 0.99
    assert np.median(delay_d) < 80
    assert np.percentile(delay_d, 90) < 100
    assert (first < 32).mean() > 0.99


def test_a_sudden_loss_of_fifteen_percent_is_seen_within_three_weekly_readings():
    onset = 70.0
    first = weeks_to_alarm(300, 16, lambda at_d: 0.15 * (at_d > onset), 1, seed=33)
    delay_d = 7.0 * first + 4.5 - onset
    assert np.median(delay_d) <= 21


@pytest.mark.parametrize(
    ("stated_k", "share"), [((np.nan, np.nan), 0.02), ((2900.0, 2540.0), 0.04), ((2700.0, 2700.0), 0.35)]
)
def test_a_wrong_temperature_constant_seldom_cries_wolf_in_its_first_year(stated_k, share):
    """The site swings by 16 °C over the year. Share of units with any alarm, measured: constant unknown
    0.3 %, 4 % off 0.7 % (both allowed for), that of another family, 11 % off, 24 %: state it right."""
    first = weeks_to_alarm(300, 60, np.zeros_like, 1, seed=34, stated_k=stated_k)
    assert (first < 60).mean() < share
