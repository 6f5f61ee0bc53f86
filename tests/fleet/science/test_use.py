"""Daily use: hand-worked means, shrinkage, recovery and its source, season, like sites."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.science.columns import UseFault, Water
from fleet.science.curves import gallons_between
from fleet.science.fleet_use import learn_like_sites, lend_use
from fleet.science.season import SeasonClock, fit_season, fit_week
from fleet.science.settings import UseSettings
from fleet.science.use import compute_use
from tests.fleet.science.labelled_meters import NO_GAUGES
from tests.fleet.science.small_shard import NOW_D, gauges, joined, meter, steady, units

PERMEATE, FEED = np.array([int(Water.PERMEATE)]), np.array([int(Water.FEED)])
FIRST = np.array([0])


def use_of(readings, of_units=None, performance=NO_GAUGES, **options):
    return compute_use(of_units or units(), readings, performance, NOW_D, **options)


def test_an_even_meter_gives_its_rate():
    """A year at 50 gal/day against a design duty of 40: the meter wins."""
    use, _, _ = use_of(steady(50.0))
    assert use.permeate_gal_per_day[0] == pytest.approx(50.0, rel=0.01)
    assert use.readings_used[0] == 53
    assert not use.is_design_duty[0]
    assert use.last_read_at_d[0] == NOW_D


def test_the_recency_weighted_mean_is_what_a_hand_works_out():
    """Three intervals of 10 days, half-life 10 days, no design duty: weights 1, 1/2, 1/4 of age 0, 10, 20."""
    readings = meter(np.array([0.0, 100, 300, 600]), every=10.0)
    rules = UseSettings(half_life_days=10.0)
    use, _, _ = use_of(readings, units(design_use_gal_per_day=np.nan), rules=rules)
    mean = (0.25 * 100 + 0.5 * 200 + 1.0 * 300) / (1.75 * 10)
    assert use.permeate_gal_per_day[0] == pytest.approx(mean)


def test_few_readings_stay_near_the_design_duty_with_a_wide_error():
    """One interval moves the mean part of the way; fifty move it nearly all the way."""
    few, _, _ = use_of(steady(60.0, weeks=1))
    many, _, _ = use_of(steady(60.0, weeks=50))
    assert 40 < few.permeate_gal_per_day[0] < many.permeate_gal_per_day[0] <= 60
    assert few.drift_sd_gal_per_day[0] > 3 * many.drift_sd_gal_per_day[0]


def test_without_readings_the_design_duty_stands_in_and_says_so():
    """Half the design duty as standard error, feed through recovery."""
    use, _, curves = use_of(meter(np.zeros(0)))
    assert use.is_design_duty[0]
    assert use.permeate_gal_per_day[0] == 40.0
    assert use.feed_gal_per_day[0] == pytest.approx(100.0)
    assert use.drift_sd_gal_per_day[0] == 20.0
    assert np.isnan(use.last_read_at_d[0])
    seen = gallons_between(curves, FIRST, PERMEATE, np.array([NOW_D - 10]), np.array([NOW_D]))
    assert seen[0] == pytest.approx(400.0)


def test_a_reading_without_number_or_from_the_future_is_left_out():
    """They change nothing."""
    plain, _, _ = use_of(steady(50.0))
    spoiled = steady(50.0)
    spoiled.total_gal[10] = np.nan
    later = meter(np.array([50 * 7.0 * 60]), last_d=NOW_D + 49)
    use, faults, _ = use_of(joined(spoiled, later))
    assert use.permeate_gal_per_day[0] == pytest.approx(plain.permeate_gal_per_day[0], rel=1e-3)
    assert use.last_read_at_d[0] == NOW_D
    assert len(faults.fault) == 0


def test_recovery_comes_from_two_meters_before_flows_before_the_set_point():
    """Feed 100, permeate 30: 0.30 by meters; flows 0.5 and 1.5 gpm: 0.25; the set-point is 0.40."""
    permeate = steady(30.0)
    feed = steady(100.0, water=Water.FEED)
    flows = gauges((0, 10, {"permeate_flow_gpm": 0.5, "concentrate_flow_gpm": 1.5}))
    by_meters, _, _ = use_of(joined(feed, permeate), performance=flows)
    by_flows, _, _ = use_of(permeate, performance=flows)
    by_design, _, _ = use_of(permeate)
    assert by_meters.recovery[0] == pytest.approx(0.30)
    assert by_flows.recovery[0] == pytest.approx(0.25)
    assert by_design.recovery[0] == 0.40
    assert by_meters.recovery_is_measured[0]
    assert by_flows.recovery_is_measured[0]
    assert not by_design.recovery_is_measured[0]


def test_feed_is_permeate_over_recovery_where_only_permeate_is_metered():
    """Over any stretch."""
    _, _, curves = use_of(steady(40.0))
    begin, end = np.array([NOW_D - 100]), np.array([NOW_D - 30])
    permeate = gallons_between(curves, FIRST, PERMEATE, begin, end)
    feed = gallons_between(curves, FIRST, FEED, begin, end)
    assert permeate[0] == pytest.approx(2800.0)
    assert feed[0] == pytest.approx(2800.0 / 0.4)


@settings(max_examples=60, deadline=None)
@given(
    gallons=st.lists(st.floats(20, 500), min_size=3, max_size=30),
    cuts=st.lists(st.floats(0, 1), min_size=1, max_size=6),
)
def test_use_over_stretches_adds_up_to_use_over_the_whole(gallons, cuts):
    """However a stretch is cut."""
    _, _, curves = use_of(meter(np.cumsum(gallons)))
    edges = NOW_D - 200 + 230 * np.array(sorted([0.0, *cuts, 1.0]))
    many = len(edges) - 1
    row = np.zeros(many, dtype=np.int64)
    pieces = gallons_between(curves, row, np.full(many, int(Water.PERMEATE)), edges[:-1], edges[1:])
    whole = gallons_between(curves, FIRST, PERMEATE, edges[:1], edges[-1:])
    assert pieces.sum() == pytest.approx(whole[0], abs=1e-4)


@settings(max_examples=60, deadline=None)
@given(gallons=st.lists(st.floats(150, 450), min_size=2, max_size=60), start=st.floats(0, 9e5))
def test_clean_registers_are_counted_exactly_and_have_no_fault(gallons, start):
    """The sum of counted use is last register minus first."""
    totals = start + np.concatenate(([0.0], np.cumsum(gallons)))
    _, faults, curves = use_of(meter(totals, rollover=1e7))
    assert len(faults.fault) == 0
    counted = (curves.cumulated[-1] - curves.cumulated[0]) / 2.0**20
    assert counted == pytest.approx(totals[-1] - totals[0], abs=1e-3)


def test_the_season_clock_runs_a_year_in_a_year_and_back():
    """Any factors: a year of average use per year, and an exact inverse."""
    clock = SeasonClock((0.5, 0.6, 0.8, 1, 1.2, 1.6, 1.8, 1.6, 1.2, 0.9, 0.6, 0.4))
    day = np.linspace(15_000, 25_000, 1001)
    worked = clock.worked_days(day)
    assert clock.day_of(worked) == pytest.approx(day)
    assert clock.worked_days(day + 365.25) - worked == pytest.approx(np.full(1001, 365.25))
    assert (np.diff(worked) > 0).all()


def test_the_season_is_learned_from_a_fleet():
    """Two years of weekly intervals of 300 units that use by a known season."""
    truth = SeasonClock((0.6, 0.6, 0.8, 0.9, 1.1, 1.4, 1.5, 1.4, 1.1, 0.9, 0.9, 0.8))
    rng = np.random.default_rng(3)
    unit, week = np.divmod(np.arange(300 * 104), 104)
    begin = 18_262.5 + 7.0 * week
    gal = rng.lognormal(np.log(40), 0.4, 300)[unit] * (
        truth.worked_days(begin + 7) - truth.worked_days(begin)
    )
    found = fit_season(unit, begin, begin + 7, gal * rng.normal(1, 0.2, len(gal)), weight=5)
    assert found.factor_by_month == pytest.approx(truth.factor_by_month, abs=0.04)


def test_a_season_without_data_is_flat():
    """Nothing learned, nothing claimed."""
    none = np.zeros(0)
    assert fit_season(none.astype(int), none, none, none).is_flat


def test_weekdays_are_learned_from_daily_use():
    """A closed Sunday. 2024-10-04 is day 20 000 and a Friday."""
    day = np.arange(20_000, 20_000 + 364)
    weekday = (day - 20_000 + 4) % 7
    factors = fit_week(day, np.where(weekday == 6, 0.0, 70.0), weight=1e-6)
    assert factors[6] == pytest.approx(0.0, abs=1e-6)
    assert factors[:6] == pytest.approx(np.full(6, 7 / 6))


def test_a_new_site_borrows_from_like_sites():
    """Like sites use half of their design duty; so, nearly, will the new one."""
    readings = joined(*[steady(20.0, unit=number) for number in range(12)])
    use, _, _ = use_of(readings, units(13))
    like = learn_like_sites(units(13), use, np.zeros(13, dtype=np.int64), 1)
    assert like.sites.tolist() == [12]
    expected = lend_use(units(13).design_use_gal_per_day, np.zeros(13, dtype=np.int64), like)
    assert 20.0 < expected[12] < 25.0
    alone = lend_use(units(13).design_use_gal_per_day, np.full(13, -1), like)
    assert alone[12] == 40.0


def test_faults_are_listed_with_the_unit_they_belong_to():
    """Second unit of two."""
    bad = meter(np.array([9000, 9280, 9560, 9840, 200, 480.0]), unit=1)
    _, faults, _ = use_of(joined(steady(40.0, unit=0), bad), units(2))
    assert faults.unit_row.tolist() == [1]
    assert faults.fault.tolist() == [UseFault.SWAP]
