"""Simulated membranes with one thing going wrong, of random strength, for the confusion matrix.

What each trouble does to a membrane (flow, salt passage, pressure drop) follows the direction table of a
public troubleshooting text; the strengths are invented.
"""

from dataclasses import replace

import numpy as np

from fleet.science.columns import Parts, Pattern, PerformanceReadings, Units
from tests.fleet.science.membrane_model import respond, some_membranes, some_units, swinging_site, to_readings

WEEKS = 44
ONSET_D = 91.0
WATER_PERMEABILITY = 0.0075
SALT_PERMEABILITY = 0.012
DROP_COEFFICIENT = 8.0


def simulate(
    kind: Pattern, count: int, seed: int, weeks: int = WEEKS
) -> tuple[Units, Parts, PerformanceReadings, float]:
    """Weekly readings of ``count`` units over ``weeks``; the trouble starts at ``ONSET_D``."""
    rng = np.random.default_rng(seed)
    at_d = 7.0 * np.arange(weeks)[None, :] + rng.uniform(-1, 1, (count, weeks)) + 3
    site = swinging_site(rng, at_d)
    if kind is Pattern.COLD_WATER_ONLY:
        warm, cold = rng.uniform(20, 25, (count, 1)), rng.uniform(7, 12, (count, 1))
        share = np.clip((at_d - ONSET_D) / 120, 0, 1)
        site = replace(site, temperature_c=warm + (cold - warm) * share + rng.normal(0, 0.7, at_d.shape))
    elif kind is Pattern.NONE:
        site = replace(site, temperature_c=18 + rng.normal(0, 1.5, at_d.shape))
    grown = np.clip((at_d - ONSET_D) / 150, 0, 1)
    came = (at_d > ONSET_D).astype(float)

    def between(low, high):
        return rng.uniform(low, high, (count, 1))

    water = salt = drop = np.ones_like(at_d)
    leak = np.zeros_like(at_d)
    if kind is Pattern.FOULING:
        water, drop = 1 - between(0.12, 0.3) * grown, 1 + between(0.4, 1.0) * grown
    elif kind is Pattern.SCALING:
        water, drop = 1 - between(0.12, 0.3) * grown, 1 + between(0.4, 0.9) * grown
        salt = 1 + between(0.4, 1.0) * grown
    elif kind is Pattern.OXIDATION:
        water, salt = 1 + between(0.1, 0.3) * grown, 1 + between(0.6, 2.5) * grown
    elif kind is Pattern.SEAL_LEAK:
        leak = between(0.008, 0.03) * came
    elif kind is Pattern.COMPACTION:
        water, salt = 1 - between(0.12, 0.25) * grown, 1 - between(0, 0.1) * grown
    answer = respond(
        site, WATER_PERMEABILITY * water, SALT_PERMEABILITY * salt, DROP_COEFFICIENT * drop, leak
    )
    rows = np.arange(count)
    readings = to_readings(rows[:, None], at_d, site, answer, rng)
    return some_units(count), some_membranes(rows, 0.0), readings, float(7 * weeks)
