"""Do the stated dates hold where use is no level line: season, weekdays, new tenants, drift, all of them?

The generators are these; nothing was fitted to their parameters.
"""

import numpy as np
import pytest

from fleet.science.assess import assess_shard
from fleet.science.columns import MeterReadings, PartRole, Parts, Water
from fleet.science.curves import permeate_intervals
from fleet.science.fleet_use import fit_use_rules
from fleet.science.season import learn_clock
from fleet.science.settings import AssessmentSettings, UseSettings
from fleet.science.use import compute_use
from tests.benchmarks.synthetic_shard import make_table
from tests.fleet.science.small_shard import NOW_D, shard, units

UNITS, DAYS, EVERY, RECOVERY = 500, 1500, 14, 0.4


def use_of(world, rng, phase_d=40.0):
    """(units, days) gallons a day."""
    day, shape = np.arange(DAYS)[None, :], (UNITS, DAYS)
    base = 40 * np.exp(rng.normal(0, 0.35, (UNITS, 1)))
    noise = 1 + rng.normal(0, 0.35, shape)
    season = 1 + 0.35 * np.sin(2 * np.pi * (day - phase_d) / 365.25) * rng.uniform(0.7, 1.3, (UNITS, 1))
    week = np.where((day + 3) % 7 < 5, 1.25, 0.375)
    tenants = np.exp(np.cumsum((rng.random(shape) < 1 / 365) * rng.normal(0, 0.5, shape), axis=1))
    drift = np.exp(np.cumsum(rng.normal(0, 0.012, shape), axis=1))
    slow = np.exp(np.cumsum(rng.normal(0, 0.008, shape), axis=1))
    lumps = rng.gamma(1.5, 1 / 1.5, shape)
    factor = {
        "level": noise, "gamma": lumps, "season": season * noise, "weekday": week * noise,
        "tenants": tenants * noise, "drift": drift * noise, "all": season * week * tenants * slow * lumps,
    }  # fmt: skip
    return np.maximum(base * factor[world], 0.0)


def reached(world, known_days, rng, phase_d=40.0):
    """Share of parts at their limit by the early, likely and late date, by the rules a night has learned."""
    total, row = np.cumsum(use_of(world, rng, phase_d), axis=1), np.arange(UNITS)
    place = np.arange(0, known_days - EVERY, EVERY)[None, :] + rng.integers(0, EVERY, (UNITS, 1))
    begin_d = NOW_D - known_days + 1.0
    rows, place = np.repeat(row, place.shape[1]), place.ravel()
    readings = make_table(
        MeterReadings, place.size, unit_row=rows, water=int(Water.PERMEATE), meter_id=rows,
        read_at_d=begin_d + place, total_gal=1e5 + total[rows, place], rollover_gal=1e9,
    )  # fmt: skip
    installed = rng.integers(known_days - 150, known_days - 5, UNITS)
    used = total[row, installed]
    rated = total[:, known_days - 1] - used + total[:, -1].mean() / DAYS * rng.uniform(15, 330, UNITS)
    reached_d = begin_d + np.argmax(total - used[:, None] >= rated[:, None], axis=1) - rng.random(UNITS)
    reached_d = np.where(total[:, -1] - used < rated, np.inf, reached_d)
    parts = make_table(
        Parts, UNITS, part_id=row, unit_row=row, role=int(PartRole.CARBON), water=int(Water.FEED),
        installed_at_d=begin_d + installed, rated_gal=rated / RECOVERY,
    )  # fmt: skip
    columns = shard(of_units=units(UNITS), readings=readings, parts=parts)
    rules = UseSettings()

    def uses(clock=None):
        return compute_use(columns.units, columns.readings, columns.performance, NOW_D, rules, clock)

    clock = learn_clock(*permeate_intervals(uses()[2]), np.zeros(UNITS))
    for _ in range(4):
        rules = fit_use_rules(columns.units, uses(clock)[0], rules)
    life = assess_shard(columns, NOW_D, AssessmentSettings(use=rules, season=clock)).life
    return np.array([np.mean(reached_d <= day) for day in (life.early_d, life.likely_d, life.late_d)])


STATED = np.array([0.1, 0.5, 0.9])


@pytest.mark.parametrize("world", ["level", "gamma", "season", "weekday", "tenants", "drift", "all"])
def test_in_their_second_year_the_dates_are_reached_as_stated(world):
    """Points off at 1,500 units: level 0/+2/0, gamma +1/0/+1, season -4/-5/0, weekday -1/0/+1,
    tenants +2/+6/-2, drift +3/0/+2, all +6/+3/-4. Fleets of 500 differ: the likely date was off by -13 and
    -9 with season (3 days of a window of 20), +16 and +8 with tenants, +12 and +2 with all."""
    off = reached(world, 650, np.random.default_rng(14)) - STATED
    print(world, np.round(100 * off, 1))
    assert np.abs(off).max() < (0.06 if world in ("level", "gamma", "weekday") else 0.12)


@pytest.mark.parametrize("world", ["level", "tenants", "drift"])
def test_in_their_first_year_the_dates_are_reached_within_ten_points(world):
    off = reached(world, 240, np.random.default_rng(12)) - STATED
    print(world, np.round(100 * off, 1))
    assert np.abs(off).max() < 0.12


def test_a_season_nobody_has_seen_yet_is_off_on_one_day_and_right_over_the_year():
    """All sites swing together, so on any one day nearly all are early or all late; over eight days of the
    year the stated shares come about."""
    rng = np.random.default_rng(13)
    off = np.mean([reached("season", 240, rng, 45.7 * n) for n in range(8)], axis=0) - STATED
    print("season, first year", np.round(100 * off, 1))
    assert np.abs(off).max() < 0.16
