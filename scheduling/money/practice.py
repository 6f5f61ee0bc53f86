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
_LEAST_SPREAD: Final = 0.03
"""No practice is more even than this. Ours. [-]"""
TAIL_Z: Final = 1.2815515655446004
"""Standard normal score of 90 %. [-]"""


@dataclass(frozen=True)
class Practice:
    """One row per kind of part."""

    factor: Floats
    """Usual age at which parts are really changed over the life usually expected of them. [-]"""
    early_spread: Floats
    """Spread of its natural logarithm below the median, as a root mean square. [-]"""
    late_spread: Floats
    """The same above the median. [-]"""
    usual_days: Floats
    """Median of the lives expected; NaN where none of the kind was changed. [day]"""
    trust: Floats
    """Slope of ln of real over ln of expected lives, 0 to 1: 0 where expectations tell nothing. [-]"""
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
        How real lives follow expected ones, drawn to "exactly as expected" while changes are few.

    Notes
    -----
    A company that changes early, to save trips, never sees its parts reach their limits: counting limits
    reached would forecast too few changes. Where parts outlive what is expected of them, it would count the
    same parts as overdue month after month. A line through the logarithms of real and expected lives answers
    both; its slope falls to 0 where expected lives scatter and the real ones do not, e.g. by the
    calendar. The line goes through the medians, so that a kind as a whole is right even where the life
    expected of a young part is far off. Many are changed well before their time because somebody is there
    anyway: changes to count, not outliers, so the spread on each side of the line is taken from all of them.

    Source
    ------
    Regression towards the mean: Galton (1886) (value from memory).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        real = np.log(np.asarray(earlier_days, dtype=np.float64))
        said = np.log(np.maximum(np.asarray(expected_days, dtype=np.float64), 1.0))
    factor = np.ones(kinds)
    early, late = np.full(kinds, _USUAL_SPREAD), np.full(kinds, _USUAL_SPREAD)
    usual_days, trust = np.full(kinds, np.nan), np.ones(kinds)
    changes = np.zeros(kinds, dtype=np.int64)
    for kind in range(kinds):
        rows = (kind_row == kind) & np.isfinite(real + said)
        changes[kind] = count = int(rows.sum())
        if not count:
            continue
        weight = count / (count + _RATING_WEIGHT)
        middle_real, middle_said = float(np.median(real[rows])), float(np.median(said[rows]))
        real_off, said_off = real[rows] - middle_real, said[rows] - middle_said
        slope = _slope(said_off, real_off)
        factor[kind] = np.exp(weight * (middle_real - middle_said))
        usual_days[kind] = np.exp(middle_said)
        trust[kind] = 1 - weight * (1 - slope)
        left = real_off - slope * said_off
        early[kind], late[kind] = (_blended(_side(left * sign), weight) for sign in (-1, 1))
    return Practice(factor, early, late, usual_days, trust, changes)


def _slope(x: Floats, y: Floats) -> float:
    """Return the slope of y over x through the origin, held between 0 and 1; 1 where x never differs."""
    square = float(x @ x)
    return float(np.clip(x @ y / square, 0.0, 1.0)) if square > 0 else 1.0


def _side(off: Floats) -> float:
    """Return the root mean square of what is above 0: the spread of one side of the median."""
    above = off[off > 0]
    return max(float(np.sqrt(np.mean(above**2))), _LEAST_SPREAD) if len(above) else _LEAST_SPREAD


def _blended(own: float, weight: float) -> float:
    return float(np.hypot(np.sqrt(weight) * own, np.sqrt(1 - weight) * _USUAL_SPREAD))


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
        Time in place is on the line of the practice; the window's own width, so far as expected lives are
        trusted, and the spread of the practice add up as variances.
    """
    installed, early, likely, late = (
        np.asarray(given, dtype=np.float64) for given in (installed_d, early_d, likely_d, late_d)
    )
    factor = practice.factor[kind_row]
    early_spread, late_spread = practice.early_spread[kind_row], practice.late_spread[kind_row]
    expected = np.maximum(likely - installed, 1.0)
    usual, trust = practice.usual_days[kind_row], practice.trust[kind_row]
    usual = np.where(np.isnan(usual), expected, usual)
    life = factor * usual * (expected / usual) ** trust
    middle = installed + life
    low = np.hypot(trust * factor * (likely - early) / TAIL_Z, life * early_spread)
    high = np.hypot(trust * factor * (late - likely) / TAIL_Z, life * late_spread)
    return Dates(
        middle - TAIL_Z * low, middle, middle + TAIL_Z * high, life, (early_spread + late_spread) / 2
    )
