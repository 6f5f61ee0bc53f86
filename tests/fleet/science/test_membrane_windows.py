"""Replays of failing membranes: do the 10, 50 and 90 % dates hold on falls that are no straight lines?"""

from dataclasses import fields

import numpy as np
import pytest

from fleet.science.columns import PerformanceReadings
from fleet.science.decay import assess_performance
from fleet.science.membranes import judge_membranes
from tests.fleet.science.membrane_model import respond, some_membranes, some_units, swinging_site, to_readings

DAYS = 1500
YEAR_ANGLE = 2 * np.pi / 365


def losses(world, rng, units):
    """(units, days) loss of permeability: 10 % in 90 to 500 days on a line, and elsewhere about so."""
    day = np.arange(DAYS)[None, :].astype(float)
    onset, days = rng.uniform(200, 500, (units, 1)), rng.uniform(90, 500, (units, 1))
    share, steady = np.clip((day - onset) / days, 0, None), (day > onset) / days
    drift = np.exp(np.cumsum(rng.normal(0, 0.02, (units, DAYS)), axis=1))
    moves = rng.random((units, DAYS)) < 1 / 240
    tenants = np.exp(np.cumsum(moves * rng.normal(0, 0.6, (units, DAYS)), axis=1))
    season = 1 + 0.6 * np.sin(YEAR_ANGLE * day + rng.uniform(0, 2 * np.pi, (units, 1)))
    lumps = rng.gamma(0.1, 10, (units, DAYS))
    if world == "steeper":
        return 0.1 * share ** rng.uniform(1.3, 2.2, (units, 1))
    if world == "flatter":
        return 0.1 * share ** rng.uniform(0.5, 0.8, (units, 1))
    factor = {
        "line": 1.0,
        "drift": drift,
        "tenants": tenants,
        "season": season,
        "all": tenants * season * lumps,
    }
    return 0.1 * np.cumsum(steady * factor[world], axis=1)


def replay(world, every_days, units, seed):
    """True day of 10 % loss beside the three dates, for every membrane told every 70 days to fail later."""
    rng = np.random.default_rng(seed)
    loss = losses(world, rng, units)
    points = int((DAYS - 10) / every_days)
    at_d = every_days * np.arange(points)[None, :] + rng.uniform(-1, 1, (units, points)) + 3
    at_d = np.clip(at_d, 0, DAYS - 1)
    site, one = swinging_site(rng, at_d), np.ones_like(at_d)
    lost = np.minimum(np.take_along_axis(loss, at_d.astype(int), axis=1), 0.6)
    answer = respond(site, 0.0075 * (1 - lost), 0.012 * one, 8 * one)
    readings = to_readings(np.arange(units)[:, None], at_d, site, answer, rng)
    true_d = np.where(loss[:, -1] >= 0.1, (loss >= 0.1).argmax(axis=1), np.inf)
    told = []
    for now_d in np.arange(300.0, 1300.0, 70.0):
        known = readings.read_at_d <= now_d
        so_far = PerformanceReadings(**{f.name: getattr(readings, f.name)[known] for f in fields(readings)})
        judged, _ = assess_performance(
            some_units(units), some_membranes(np.arange(units), 0.0), so_far, now_d
        )
        seen = judge_membranes(judged, now_d)
        rows = seen.is_failing & (seen.likely_d > now_d)
        told.append(np.column_stack([true_d, seen.early_d, seen.likely_d, seen.late_d])[rows])
    true_d, *dates = np.concatenate(told).T
    return len(true_d), *(np.mean(true_d <= day) for day in dates)


@pytest.mark.parametrize("world", ["line", "flatter", "all"])
def test_the_dates_of_weekly_read_membranes_hold_on_worlds_they_were_not_made_for(world):
    """Measured over nine worlds, 773 dates: 10, 50 and 94 % reached; before, 9, 45 and 72 %. By world the
    early date 2 to 19 %, the likely one 27 (flatter) to 70 % (steeper), the late one 82 (all) to 100 %."""
    count, early, _, late = replay(world, 7.0, 60, seed=21)
    assert count > 30
    assert early < 0.25
    assert late > 0.75


@pytest.mark.slow
def test_over_all_worlds_together_ten_fifty_and_ninety_percent_are_reached():
    """Monthly readings show a fall late: 22, 57 and 93 % of 310 dates were reached, early 12 too often."""
    worlds = ("line", "steeper", "flatter", "drift", "tenants", "season", "all")
    counts, *reached = np.array([replay(world, 7.0, 80, seed=23) for world in worlds]).T
    early, likely, late = (np.average(share, weights=counts) for share in reached)
    assert abs(early - 0.1) < 0.06
    assert abs(likely - 0.5) < 0.08
    assert abs(late - 0.9) < 0.06
