"""The invented company: why parts came out follows from how far they had really worn."""

import numpy as np

from scheduling.demo.fleet_plan import plan_sites, plan_units
from scheduling.demo.machine import READING_DAYS, _reason
from scheduling.demo.true_wear import DAYS_KEPT, TrueWear


def test_a_part_is_as_old_as_the_water_it_needed_to_wear_so_far():
    """Twice the water, half the life; the calendar ends what the water does not."""
    rng = np.random.default_rng(1)
    _, sites = plan_sites(rng)
    unit = next(one for one in plan_units(rng, sites) if one.size.code == "S")
    slow = TrueWear(np.random.default_rng(2), unit, np.full(READING_DAYS, 40.0))
    fast = TrueWear(np.random.default_rng(2), unit, np.full(READING_DAYS, 400.0))
    assert fast.age_at("CAR-S", 0.3, 0) < slow.age_at("CAR-S", 0.3, 0)
    assert slow.age_at("MEM-S", 0.5, 0) == round(0.5 * 42 * 30.44) + 1
    assert slow.age_at("MEM-S", 9.0, 0) == DAYS_KEPT


def test_worn_comes_with_wear_and_early_without():
    """Of those changed at 70 % nearly none is worn, of those at 140 % nearly all."""
    rng = np.random.default_rng(3)
    before = [_reason(rng, 0.7) for _ in range(500)]
    after = [_reason(rng, 1.4) for _ in range(500)]
    assert before.count("early") > 450
    assert after.count("worn") + after.count("failed") > 450
