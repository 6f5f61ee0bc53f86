"""Ten thousand parts followed from readings to the day their limit was really reached."""

import numpy as np
import pytest

from fleet.science.assess import assess_shard
from fleet.science.columns import Limit, MeterReadings, PartRole, Parts, Water
from fleet.science.fleet_use import fit_use_rules
from fleet.science.settings import AssessmentSettings, UseSettings
from tests.benchmarks.synthetic_shard import make_table
from tests.fleet.science.small_shard import NOW_D, shard, units

PARTS = 10_000
PAST, FUTURE = 200, 900
DUTY = 40.0
RECOVERY = 0.4


def follow(rng):
    """Cumulated permeate of each unit day by day, from 200 days ago to 900 days ahead."""
    drift = rng.normal(DUTY, 0.3 * DUTY, PARTS)
    drift = np.where(drift < 8, DUTY, drift)
    day = rng.normal(0.0, 0.35 * DUTY, (PARTS, PAST + FUTURE)).astype(np.float32)
    day += drift[:, None].astype(np.float32)
    return np.cumsum(day, axis=1, dtype=np.float64)


def read(rng, total):
    """Readings every 10 days; the last one up to 9 days old, so each unit has its own days."""
    offset = rng.integers(0, 10, PARTS)
    place = np.arange(0, PAST, 10)[None, :] + offset[:, None]
    rows = np.repeat(np.arange(PARTS), place.shape[1])
    return make_table(
        MeterReadings,
        place.size,
        unit_row=rows,
        water=int(Water.PERMEATE),
        meter_id=rows,
        read_at_d=NOW_D - PAST + 1 + place.ravel(),
        total_gal=1e5 + np.take_along_axis(total, place, axis=1).ravel(),
        rollover_gal=1e9,
    )


def test_stated_dates_of_a_shard_cover_what_really_happened():
    """Parts put in on any day, readings days old, drift and the fleet's swing learned: within 1.5 points."""
    rng = np.random.default_rng(61)
    total = follow(rng)
    installed = rng.integers(5, PAST - 5, PARTS)
    used_then = np.take_along_axis(total, installed[:, None], axis=1)[:, 0]
    used_now = total[:, PAST - 1]
    rated = used_now - used_then + rng.uniform(600, 12_000, PARTS)
    reached = np.argmax(total - used_then[:, None] >= rated[:, None], axis=1)
    reached_d = NOW_D - PAST + 1 + reached - rng.random(PARTS)
    parts = make_table(
        Parts,
        PARTS,
        part_id=np.arange(PARTS),
        unit_row=np.arange(PARTS),
        role=int(PartRole.CARBON),
        water=int(Water.FEED),
        installed_at_d=NOW_D - PAST + 1 + installed,
        rated_gal=rated / RECOVERY,
    )
    columns = shard(of_units=units(PARTS), readings=read(rng, total), parts=parts)
    rules = UseSettings()
    for _ in range(6):
        use = assess_shard(columns, NOW_D, AssessmentSettings(use=rules)).use
        rules = fit_use_rules(columns.units, use, rules)
    assert rules.design_spread == pytest.approx(0.35, rel=0.1)
    assert rules.design_cv == pytest.approx(0.30, rel=0.1)
    found = assess_shard(columns, NOW_D, AssessmentSettings(use=rules))
    sure = np.ones(PARTS, dtype=bool)
    sure[found.faults.unit_row] = False
    assert sure.mean() > 0.95
    assert (found.life.governing == Limit.VOLUME).all()
    for name, chance in (("early_d", 0.1), ("likely_d", 0.5), ("late_d", 0.9)):
        off = 100 * (np.mean((reached_d <= getattr(found.life, name))[sure]) - chance)
        print(f"{name}: {off:+.2f} points off")
        assert abs(off) < 1.5, f"{name} is {off:+.2f} points off"
