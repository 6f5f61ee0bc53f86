"""What is measured governs a membrane: verdicts and end dates on membranes of known truth, and the choice."""

from dataclasses import fields, replace

import numpy as np
import pytest
from scipy.stats import weibull_min

from fleet.science.assess import assess_shard
from fleet.science.columns import Limit, Pattern, PerformanceReadings
from fleet.science.decay import assess_performance
from fleet.science.membranes import (
    Advice,
    CarePrices,
    MembraneVerdicts,
    ends_of_well,
    judge_membranes,
    weigh_choices,
)
from tests.fleet.science.membrane_cases import simulate
from tests.fleet.science.membrane_model import respond, some_membranes, some_units, swinging_site, to_readings
from tests.fleet.science.small_shard import shard

PRICES = CarePrices(trip=65.0, cleaning=110.0)


def life_of(kind, count=60, seed=5, rated_months=6.0, now_d=None):
    """Weekly readings of membranes long past their rated months."""
    units, parts, readings, end_d = simulate(kind, count, seed)
    parts = replace(parts, rated_months=np.full(count, rated_months))
    now_d = end_d if now_d is None else now_d
    return assess_shard(shard(of_units=units, parts=parts, performance=readings), now_d).life


def test_a_membrane_that_reads_well_is_not_worn_by_the_calendar():
    """Ten months old, rated for six: the readings say it is well, so it has no end but a day to look."""
    life = life_of(Pattern.NONE)
    assert life.is_measured_well.mean() > 0.95
    well = life.is_measured_well
    assert (life.wear_by_limit[well, Limit.CALENDAR] > 1).all()
    assert (life.wear[well] < 1).all()
    assert np.isnan(life.likely_d[well]).all()
    assert (life.check_d[well] < 308).all()
    assert (life.governing[well] == Limit.PERFORMANCE).all()


@pytest.mark.parametrize("kind", [Pattern.FOULING, Pattern.SCALING, Pattern.OXIDATION, Pattern.COMPACTION])
def test_a_membrane_that_fails_is_worn_before_its_rated_months(kind):
    """Rated for five years; the trouble began 30 weeks ago."""
    life = life_of(kind, rated_months=60.0)
    assert (life.wear >= 1).mean() > 0.95
    assert (life.governing == Limit.PERFORMANCE).mean() > 0.95


def test_where_nobody_has_measured_lately_the_calendar_stands():
    """The same sound membranes, 130 days after their last reading."""
    life = life_of(Pattern.NONE, now_d=308.0 + 130)
    assert not life.is_measured_well.any()
    assert (life.governing == Limit.CALENDAR).all()
    assert (life.wear > 1).all()


def end_dates(every_days, count=300, seed=8):
    """True day of a 10 % loss, and what is said at each reading of falling membranes in alarm."""
    rng = np.random.default_rng(seed)
    points = int(900 / every_days)
    at_d = every_days * np.arange(points)[None, :] + rng.uniform(-1, 1, (count, points)) + 3
    days = rng.uniform(120, 400, (count, 1))
    onset = rng.uniform(250, 400, (count, 1))
    loss = 0.10 * np.clip((at_d - onset) / days, 0, 2)
    site, one = swinging_site(rng, at_d), np.ones_like(at_d)
    answer = respond(site, 0.0075 * (1 - loss), 0.012 * one, 8 * one)
    readings = to_readings(np.arange(count)[:, None], at_d, site, answer, rng)
    true_d = (onset + days)[:, 0]
    now_d = np.float64(560.0)
    known = readings.read_at_d <= now_d
    so_far = PerformanceReadings(**{f.name: getattr(readings, f.name)[known] for f in fields(readings)})
    judged, _ = assess_performance(some_units(count), some_membranes(np.arange(count), 0.0), so_far, now_d)
    return judged, true_d


@pytest.mark.parametrize("every_days", [7.0, 30.4])
def test_the_end_of_a_failing_membrane_is_dated_by_days_not_by_points(every_days):
    """Falls of 10 % in 120 to 400 days. Measured for those in alarm, median: weekly 4 days early, monthly 6;
    four fifths within 39 and 48 days."""
    judged, true_d = end_dates(every_days)
    dated = np.isfinite(judged.end_likely_d)
    error = (judged.end_likely_d - true_d)[dated]
    assert dated.sum() > 60
    assert abs(np.median(error)) < 20
    assert np.percentile(np.abs(error), 80) < 65


def verdict(wear, likely_d, pattern, cost=120.0, installed_d=-900.0):
    """One failing membrane on day 0."""
    one = np.array([0.0])
    days_left = max(likely_d, 0.0)
    verdicts = MembraneVerdicts(
        is_well=np.array([False]), is_failing=np.array([True]), wear=one + wear,
        wear_per_day=(1 - (one + wear)) / days_left if days_left else one * np.nan,
        early_d=one + likely_d, likely_d=one + likely_d, late_d=one + likely_d,
    )  # fmt: skip
    return weigh_choices(
        verdicts, np.array([int(pattern)]), one + installed_d, one + 1278.0, one + cost, 0.0, PRICES
    )


def test_the_choice_goes_to_what_costs_least_for_the_time_it_gains():
    """A dear membrane that fouls slowly is cleaned, a small one replaced; oxidation can't be cleaned off."""
    dear = verdict(1.1, -5.0, Pattern.FOULING, cost=900.0)
    assert dear.advice[0] == Advice.CLEAN
    assert dear.cost[0].tolist() == [0.0, 175.0, 965.0]
    assert verdict(1.1, -5.0, Pattern.FOULING, cost=96.0).advice[0] == Advice.REPLACE
    spoilt = verdict(1.1, -5.0, Pattern.OXIDATION, cost=900.0)
    assert spoilt.advice[0] == Advice.REPLACE
    assert np.isnan(spoilt.cost[0, 1])


def test_leaving_a_membrane_past_its_limit_says_since_when_it_is_past():
    assert verdict(1.1, -50.0, Pattern.OXIDATION).lasts_until_d[0, 0] == -50
    assert verdict(0.6, 80.0, Pattern.FOULING).lasts_until_d[0, 0] == 80


def test_what_is_past_its_limit_now_did_not_pass_it_in_the_future():
    """Whatever the trend of its points says."""
    judged, _ = assess_performance(*simulate(Pattern.FOULING, 200, seed=4))
    verdicts = judge_membranes(judged, 308.0)
    past = verdicts.is_failing & (judged.limit_share >= 1)
    assert past.sum() > 100
    assert (verdicts.likely_d[past] <= judged.newest_d[past]).all()
    assert (verdicts.early_d[past] <= verdicts.likely_d[past]).all()
    assert (verdicts.likely_d[past] <= verdicts.late_d[past]).all()


@pytest.mark.parametrize("age", [0.0, 400.0, 2500.0])
def test_membranes_that_are_well_end_as_the_weibull_conditioned_on_their_age(age):
    """Against scipy: a median life of 1,096 days."""
    life = weibull_min(2.0, scale=1096.0 / np.log(2) ** 0.5)
    for chance, days in zip((0.1, 0.5, 0.9), ends_of_well(np.array([age]), np.array([1096.0])), strict=True):
        assert days[0] == pytest.approx(life.isf((1 - chance) * life.sf(age)) - age)


def test_a_failing_membrane_is_left_until_its_end_is_near_and_a_seal_is_looked_at_first():
    assert verdict(0.6, 80.0, Pattern.FOULING).advice[0] == Advice.LEAVE
    assert verdict(0.9, 20.0, Pattern.FOULING).advice[0] == Advice.REPLACE
    assert verdict(1.4, -5.0, Pattern.SEAL_LEAK).advice[0] == Advice.LOOK


def test_a_well_membrane_is_never_told_as_used_up_by_one_bad_reading():
    judged, _ = assess_performance(*simulate(Pattern.NONE, 200, seed=3))
    verdicts = judge_membranes(judged, 308.0)
    assert (verdicts.wear[verdicts.is_well] < 1).all()
