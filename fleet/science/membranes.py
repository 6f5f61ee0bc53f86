"""What is measured governs a membrane: whether it is well, when it ends, and what is worth doing about it."""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from fleet.science.columns import Flags, Floats, Ints, Pattern, positive
from fleet.science.found import UnitPerformance

JUST_BELOW = 0.99
"""Most that a membrane in no alarm is told as used: a single reading past a limit proves nothing. [-]"""


@dataclass(frozen=True)
class MembraneVerdicts:
    """One row per treatment unit."""

    is_well: Flags
    is_failing: Flags
    wear: Floats
    """Largest loss over its limit, NaN where nothing is measured. [-]"""
    wear_per_day: Floats
    """Growth of it along the trend, NaN without one. [1/day]"""
    early_d: Floats
    likely_d: Floats
    late_d: Floats


def judge_membranes(performance: UnitPerformance, now_d: float) -> MembraneVerdicts:
    """
    Say of each treatment unit's membrane whether fresh readings show it well, failing, or nothing.

    Parameters
    ----------
    performance : UnitPerformance
        From ``assess_performance``.
    now_d : float
        The moment of judgement. [day]

    Returns
    -------
    MembraneVerdicts
        Well: measured (``UnitPerformance.is_measured``) and not in alarm. Failing: in alarm and not for cold
        water alone, however old the readings, for a membrane does not mend itself. Neither: nobody measures.

    Source
    ------
    Limits as in ``PerformanceSettings``: 10 % flow, 10 % salt passage, 15 % pressure drop.
    """
    is_failing = performance.is_alarm & (performance.pattern != Pattern.COLD_WATER_ONLY)
    is_well = performance.is_measured & ~is_failing
    share = performance.limit_share
    wear = np.where(is_well, np.minimum(share, JUST_BELOW), np.where(is_failing, share, np.nan))
    # A limit that the newest points have passed lies behind, whatever date the trend gives.
    passed_d = np.where(is_failing & (share >= 1), performance.newest_d, np.nan)
    early, likely, late = (
        np.fmin(day, passed_d)
        for day in (performance.end_early_d, performance.end_likely_d, performance.end_late_d)
    )
    past = likely <= now_d
    wear = np.where(is_failing & past, np.maximum(wear, 1.0), wear)
    days_left = np.where(is_failing & ~past, likely - now_d, np.nan)
    return MembraneVerdicts(
        is_well=is_well,
        is_failing=is_failing,
        wear=wear,
        wear_per_day=(1 - wear) / positive(days_left),
        early_d=early,
        likely_d=likely,
        late_d=late,
    )


WELL_SHAPE = 2.0
"""Weibull shape of the life of membranes that are well: they wear, and not by the clock. Ours. [-]"""


def ends_of_well(age_d: Floats, rated_d: Floats) -> tuple[Floats, Floats, Floats]:
    """
    Return when membranes that are well now may be expected to end: for stock, never for an order.

    Parameters
    ----------
    age_d : array (membranes,)
        In place so far. [day]
    rated_d : array (membranes,)
        Rated life, taken as the median of all; NaN where there is none. [day]

    Returns
    -------
    tuple of arrays (membranes,)
        Days from now with a chance of 10, 50 and 90 %, given that it is well today.

    Source
    ------
    Conditional quantiles of the Weibull distribution, any textbook of reliability; its shape is ours.
    """
    age = np.maximum(age_d, 0.0)
    early, likely, late = (
        (age**WELL_SHAPE + rated_d**WELL_SHAPE * -np.log1p(-chance) / np.log(2)) ** (1 / WELL_SHAPE) - age
        for chance in (0.1, 0.5, 0.9)
    )
    return early, likely, late


class Advice(IntEnum):
    """What to do about a membrane."""

    NONE = 0
    LOOK = 1
    """Not the membrane's end: look at what the pattern points to first."""
    LEAVE = 2
    CLEAN = 3
    REPLACE = 4


@dataclass(frozen=True)
class CarePrices:
    """What care of a membrane costs beside the part, and what cleaning is worth."""

    trip: float
    """A trip of its own. [currency]"""
    cleaning: float
    """Chemicals and two hours beside the trip. [currency]"""
    restored: float = 0.9
    """Share of the loss that cleaning gives back. Ours; a manual asks to replace where it does not. [-]"""
    ahead_days: float = 28.0
    """So long before its end nothing has to be decided. Ours. [day]"""


@dataclass(frozen=True)
class MembraneChoices:
    """One row per membrane. Second axis of 2-D arrays: leave, clean, replace."""

    advice: Ints
    """An ``Advice``."""
    cost: Floats
    """What it costs now, NaN where it can't help. [currency]"""
    lasts_until_d: Floats
    """Day on which the limit is reached after it; a day gone by where a membrane past its limit is left,
    NaN where that is not known. [day]"""


CLEANABLE = (Pattern.FOULING, Pattern.SCALING)
"""What lies on a membrane comes off; what is gone from it does not. Common practice."""


def weigh_choices(
    verdicts: MembraneVerdicts,
    pattern: Ints,
    installed_d: Floats,
    rated_days: Floats,
    part_cost: Floats,
    now_d: float,
    prices: CarePrices,
) -> MembraneChoices:
    """
    Weigh leaving, cleaning and replacing a failing membrane by cost per day gained.

    Parameters
    ----------
    verdicts : MembraneVerdicts
        One row per membrane here. [-]
    pattern : array (membranes,)
        A ``Pattern``.
    installed_d, rated_days : array (membranes,)
        Since when it is in place [day], and the rated time NaN where there is none [day].
    part_cost : array (membranes,)
        Of a new one. [currency]
    now_d : float
        The moment of judgement. [day]
    prices : CarePrices
        Trip and cleaning.

    Returns
    -------
    MembraneChoices
        Advice NONE for a membrane that is not failing. A new one is taken to last as long as this one did, or
        its rated time where that is shorter: the cause goes on until somebody finds it. A cleaned one falls
        again as it fell.

    Notes
    -----
    A leak past a seal is no end of the membrane. Before its end nothing needs doing; what costs least per day
    is advised from ``ahead_days`` before.
    """
    count = len(part_cost)
    likely, failing = verdicts.likely_d, verdicts.is_failing
    lived = np.fmax(np.fmin(likely, now_d) - installed_d, 1.0)
    lived = np.where(np.isfinite(lived), lived, np.nan)
    can_clean = np.isin(pattern, [int(one) for one in CLEANABLE])
    falls_in = np.where(verdicts.wear_per_day > 0, 1 / positive(verdicts.wear_per_day), lived)
    gained = np.column_stack(
        [
            likely - now_d,
            np.where(can_clean, prices.restored * np.fmin(falls_in, lived), np.nan),
            np.fmin(lived, rated_days),
        ]
    )
    cost = np.column_stack(
        [
            np.zeros(count),
            np.where(can_clean, prices.trip + prices.cleaning, np.nan),
            prices.trip + part_cost,
        ]
    )
    rate = cost[:, 1:] / positive(gained[:, 1:])
    advice = np.where(rate[:, 0] < rate[:, 1], Advice.CLEAN, Advice.REPLACE)
    is_far = ~(verdicts.wear >= 1) & ~(likely <= now_d + prices.ahead_days)
    advice = np.where(is_far, Advice.LEAVE, advice)
    advice = np.where(pattern == Pattern.SEAL_LEAK, Advice.LOOK, advice)
    return MembraneChoices(
        advice=np.where(failing, advice, Advice.NONE).astype(np.int64),
        cost=np.where(failing[:, None], cost, np.nan),
        lasts_until_d=np.where(failing[:, None], now_d + gained, np.nan),
    )
