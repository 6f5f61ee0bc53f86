"""Season and week learned from a fleet's meters, and where the data cannot show them."""

import numpy as np
import pytest

from fleet.science.curves import permeate_intervals
from fleet.science.season import SeasonClock, learn_clock
from fleet.science.use import compute_use
from tests.fleet.science.labelled_meters import NO_GAUGES
from tests.fleet.science.small_shard import NOW_D, joined, steady, units

AHEAD_D = -0.25
WEEK = (1.3, 1.0, 1.0, 1.0, 1.2, 1.3, 0.2)


def read_every(days, truth, count, span_d, begin_d=18_262.6):
    """Intervals of a fleet that uses by a clock, without any error."""
    per_unit = int(span_d / days)
    unit, number = np.divmod(np.arange(count * per_unit), per_unit)
    begin = begin_d + days * number
    mean = np.linspace(10, 80, count)[unit]
    gal = mean * (truth.worked_days(begin + days) - truth.worked_days(begin))
    return unit, begin, begin + days, gal, np.full(count, AHEAD_D)


def test_weekdays_are_learned_from_daily_meters_in_the_sites_own_days():
    """Read at the sites' midnight; day 18 262 + 0.25 is a midnight six hours behind UTC."""
    truth = SeasonClock(factor_by_weekday=WEEK, local_ahead_d=AHEAD_D)
    found = learn_clock(*read_every(1.0, truth, 40, 140, 18_262.25))
    even = np.array(WEEK) / np.mean(WEEK)
    assert found.factor_by_weekday == pytest.approx(even, abs=0.03)
    assert found.has_even_months
    assert found.local_ahead_d == AHEAD_D


def test_weekly_readings_teach_no_weekdays_and_half_a_year_no_season():
    """A mean over half a year has the season in it."""
    truth = SeasonClock((0.5, 0.6, 0.8, 1, 1.2, 1.6, 1.8, 1.6, 1.2, 0.9, 0.6, 0.4))
    assert learn_clock(*read_every(7.0, truth, 40, 182)).is_flat


def test_two_and_a_half_years_teach_the_season_of_the_newest_two():
    """Whole years only: the odd half year would lift its months."""
    truth = SeasonClock((0.5, 0.6, 0.8, 1, 1.2, 1.6, 1.8, 1.6, 1.2, 0.9, 0.6, 0.4))
    found = learn_clock(*read_every(7.0, truth, 60, 910))
    drawn = (np.array(truth.factor_by_month) / np.mean(truth.factor_by_month) * 120 + 50) / 170
    assert np.array(found.factor_by_month) == pytest.approx(drawn, abs=0.06)
    assert found.factor_by_month[6] > 1.3 > 0.7 > found.factor_by_month[11]


def test_a_small_fleet_teaches_nothing():
    """Twenty units are chance, not season."""
    truth = SeasonClock((0.5, 0.6, 0.8, 1, 1.2, 1.6, 1.8, 1.6, 1.2, 0.9, 0.6, 0.4))
    assert learn_clock(*read_every(1.0, truth, 20, 730)).is_flat


def test_a_closed_day_bends_the_clock_and_back():
    """Seven days are seven days; the closed Sunday counts least; the inverse is exact."""
    clock = SeasonClock(factor_by_weekday=WEEK, local_ahead_d=AHEAD_D)
    sunday = 20_002 - AHEAD_D + np.arange(2)  # 2024-10-06
    assert np.diff(clock.worked_days(sunday))[0] == pytest.approx(0.2 / np.mean(WEEK))
    day = np.linspace(20_000, 20_100, 777)
    both = SeasonClock(tuple(np.linspace(0.5, 1.5, 12)), WEEK, AHEAD_D)
    for each in (clock, both):
        assert each.day_of(each.worked_days(day)) == pytest.approx(day)
        assert (np.diff(each.worked_days(day)) > 0).all()
    assert clock.worked_days(day + 7) - clock.worked_days(day) == pytest.approx(np.full(777, 7.0))


def test_intervals_come_from_the_meter_that_permeate_is_counted_from():
    """Two units of steady meters: each interval is its days times its use."""
    readings = joined(steady(20.0, unit=0), steady(50.0, unit=1))
    _, _, curves = compute_use(units(3), readings, NO_GAUGES, NOW_D)
    unit, begin, end, gal = permeate_intervals(curves)
    assert set(unit.tolist()) == {0, 1}
    assert gal / (end - begin) == pytest.approx(np.where(unit == 0, 20.0, 50.0), rel=1e-3)
