"""Which way the numbers moved, and what that looks like; what a technician checks first."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from fleet.science.columns import Flags, Ints, Pattern
from shared.messages import message


@dataclass(frozen=True)
class Directions:
    """What moved beyond its band, one row per treatment unit."""

    flow_fell: Flags
    flow_rose: Flags
    flow_is_level: Flags
    """Clearly not rising."""
    passage_rose: Flags
    passage_is_known: Flags
    drop_rose: Flags
    drop_is_level: Flags
    """Known, and clearly not rising."""
    is_cold: Flags
    """Raw flow fell, normalised flow held, and temperature explains it."""


def name_pattern(moved: Directions) -> Ints:
    """
    Return the ``Pattern`` of each treatment unit.

    Parameters
    ----------
    moved : Directions
        Flags of one length.

    Returns
    -------
    array
        A ``Pattern`` per row. The first line that fits wins:

        ==============  ============  ===================  =============
        pattern         flow          salt passage         pressure drop
        ==============  ============  ===================  =============
        oxidation       up            up                   not up
        scaling         down          up                   any
        scaling         flat          up                   up
        seal leak       level         up                   not up
        compaction      down          known and not up     known and level
        fouling         down or flat  not up               up
        ==============  ============  ===================  =============

        Anything else that moved is UNNAMED: say what moved, guess nothing.

    Source
    ------
    Oxidation, scaling and fouling: direction table of a public membrane troubleshooting text (flow and
    passage up with flat drop; last-stage drop and passage up; first-stage drop up). Seal leak (passage up
    at once, everything else flat) and compaction (flow down, nothing else): common practice.
    """
    rise = moved.passage_rose
    steady = moved.passage_is_known & ~rise
    moved_at_all = moved.flow_fell | moved.flow_rose | rise | moved.drop_rose
    rules = [
        (moved.flow_rose & rise & ~moved.drop_rose, Pattern.OXIDATION),
        (~moved.flow_rose & rise & (moved.flow_fell | moved.drop_rose), Pattern.SCALING),
        (~moved.flow_rose & rise & moved.flow_is_level, Pattern.SEAL_LEAK),
        (moved.flow_fell & steady & moved.drop_is_level & ~moved.drop_rose, Pattern.COMPACTION),
        (~moved.flow_rose & ~rise & moved.drop_rose, Pattern.FOULING),
        (moved_at_all, Pattern.UNNAMED),
        (moved.is_cold, Pattern.COLD_WATER_ONLY),
    ]
    fits, names = zip(*rules, strict=True)
    return np.select(list(fits), [np.int64(name) for name in names], default=np.int64(Pattern.NONE))


_CHECKS: Final[dict[Pattern, tuple[str, ...]]] = {
    Pattern.NONE: (),
    Pattern.COLD_WATER_ONLY: (
        message("Nothing is wrong with the membrane: cold water passes it more slowly."),
        message("Take the feed temperature yourself and compare it with the reading."),
        message("If the site needs more water in winter, tell the office; do not change the membrane."),
    ),
    Pattern.FOULING: (
        message("Read the pressure before and after the sediment filter."),
        message(
            "Unplug, release the pressure, open the filter housings: look for slime, rust or carbon fines."
        ),
        message("Check turbidity and iron of the feed against the unit's limits."),
        message("Check that the carbon was flushed until it ran clear after its last change."),
        message("Clean or replace the membrane as its maker's manual says."),
    ),
    Pattern.SCALING: (
        message(
            "Measure hardness of the feed and after the softener or anti-scale cartridge, if there is one."
        ),
        message("Measure concentrate flow: a clogged or wrong flow restrictor raises recovery."),
        message(
            "Unplug, release the pressure, open the membrane housing: look for white crust at the drain end."
        ),
        message("Check the softener's salt and regeneration."),
        message("Clean or replace the membrane as its maker's manual says."),
    ),
    Pattern.OXIDATION: (
        message("Test free and total chlorine after the carbon, with water running."),
        message(
            "Check the age of the carbon and the water it has seen; replace it if any chlorine comes through."
        ),
        message("Ask whether the site or the utility chlorinated lately."),
        message("The membrane does not recover: plan its replacement, after the carbon is right."),
    ),
    Pattern.SEAL_LEAK: (
        message("Measure conductivity of the permeate after ten minutes of running, not at start."),
        message("Where there are several membranes, measure each one's permeate to find the leak."),
        message(
            "Unplug, release the pressure, open the membrane housing: look at O-rings and permeate tube."
        ),
        message("Check that no bypass or blending valve is open."),
    ),
    Pattern.COMPACTION: (
        message(
            "Check the feed pressure against the membrane's limit; look for a "
            "stuck regulator or water hammer."
        ),
        message("Check the feed temperature: hot water at high pressure packs the membrane."),
        message("Check the permeate back pressure and the tank's air charge."),
        message("The loss is permanent: plan replacement when the flow no longer serves the site."),
    ),
    Pattern.UNNAMED: (
        message("Repeat the readings: the three pressures, both flows, temperature, both conductivities."),
        message("Check the gauges and the flow meter against a second instrument."),
        message("Read concentrate pressure and conductivities, so that the cause can be named."),
        message("Look for a partly closed valve ahead of the membrane."),
        message("Unplug, release the pressure, open the filter housings: look for a clogged filter."),
    ),
}


def what_to_check_first(pattern: Pattern) -> tuple[str, ...]:
    """
    Return what a technician checks, most telling first, in plain sentences.

    Parameters
    ----------
    pattern : Pattern
        The pattern named.

    Returns
    -------
    tuple of str
        Empty when there is nothing to check.

    Source
    ------
    Common practice; the maker's manual, local code and licensed trades stand above it.
    """
    return _CHECKS[Pattern(pattern)]
