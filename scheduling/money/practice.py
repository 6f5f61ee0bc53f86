"""How long parts really stay in: the company's own changes against the lives expected of their successors."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from fleet.science.columns import Floats, Ints

_RATING_WEIGHT: Final = 10.0
"""Expected lives weigh as much as so many changes of our own. Ours. [count]"""
_USUAL_SPREAD: Final = 0.15
"""How unevenly parts are changed before the own changes tell, standard deviation of ln. Ours. [-]"""
_MAD_TO_SIGMA: Final = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation. [-]"""
_TAIL_Z: Final = 1.2815515655446004


@dataclass(frozen=True)
class Practice:
    """One row per kind of part."""

    factor: Floats
    """Age at which parts are really changed over the life expected of them. [-]"""
    spread: Floats
    """Standard deviation of its natural logarithm. [-]"""
    changes: Ints
    """How many changes it rests on. [count]"""


@dataclass(frozen=True)
class Dates:
    """When parts are expected to be changed, arrays of one length; NaN where nothing is known."""

    early_d: Floats
    """10 % date. [day since 1970-01-01]"""
    likely_d: Floats
    """50 % date. [day since 1970-01-01]"""
    late_d: Floats
    """90 % date. [day since 1970-01-01]"""
    life_days: Floats
    """Whole expected time in place of the part and its successors. [day]"""
    spread: Floats
    """Standard deviation of a successor's time in place over that time. [-]"""


def learn_practice(earlier_days: ArrayLike, expected_days: ArrayLike, kind_row: Ints, kinds: int) -> Practice:
    """
    Return how long parts of each kind stay in, over how long they are expected to live.

    Parameters
    ----------
    earlier_days : array (parts,)
        Time in place of the part before the present one, of the same kind in the same position; NaN where
        there was none. [day]
    expected_days : array (parts,)
        Whole life expected of the present part, above 0; NaN where unknown. [day]
    kind_row : array (parts,)
        Kind of each part, 0 to ``kinds - 1``.
    kinds : int
        How many kinds.

    Returns
    -------
    Practice
        The median of the ratios, drawn towards 1 while changes are few.

    Notes
    -----
    A company that changes early, to save trips, never sees its parts reach their limits: counting limits
    reached would forecast too few changes. Where parts outlive what is expected of them, it would count the
    same parts as overdue month after month. The ratio of ages answers both.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        earlier, expected = (np.asarray(days, dtype=np.float64) for days in (earlier_days, expected_days))
        ratio = np.log(earlier / expected)
    factor, spread = np.ones(kinds), np.full(kinds, _USUAL_SPREAD)
    changes = np.zeros(kinds, dtype=np.int64)
    for kind in range(kinds):
        known = ratio[(kind_row == kind) & np.isfinite(ratio)]
        changes[kind] = count = len(known)
        if not count:
            continue
        weight = count / (count + _RATING_WEIGHT)
        middle = float(np.median(known))
        factor[kind] = np.exp(weight * middle)
        own = _MAD_TO_SIGMA * float(np.median(np.abs(known - middle)))
        spread[kind] = np.hypot(np.sqrt(weight) * own, np.sqrt(1 - weight) * _USUAL_SPREAD)
    return Practice(factor, spread, changes)


def practised(
    installed_d: ArrayLike,
    early_d: ArrayLike,
    likely_d: ArrayLike,
    late_d: ArrayLike,
    kind_row: Ints,
    practice: Practice,
) -> Dates:
    """
    Return when parts are expected to be changed, from when their limits are expected.

    Parameters
    ----------
    installed_d : array (parts,)
        Day each part came in. [day since 1970-01-01]
    early_d, likely_d, late_d : array (parts,)
        10 %, 50 % and 90 % dates of reaching the limit. [day since 1970-01-01]
    kind_row : array (parts,)
        Kind of each part.
    practice : Practice
        By kind.

    Returns
    -------
    Dates
        Time in place is the expected life times the factor; the window's own width and the spread of the
        practice add up as variances.
    """
    installed, early, likely, late = (
        np.asarray(given, dtype=np.float64) for given in (installed_d, early_d, likely_d, late_d)
    )
    factor, spread = practice.factor[kind_row], practice.spread[kind_row]
    life = np.maximum(likely - installed, 1.0) * factor
    uneven = life * spread
    middle = installed + life
    low = np.hypot(factor * (likely - early) / _TAIL_Z, uneven)
    high = np.hypot(factor * (late - likely) / _TAIL_Z, uneven)
    return Dates(middle - _TAIL_Z * low, middle, middle + _TAIL_Z * high, life, spread)
