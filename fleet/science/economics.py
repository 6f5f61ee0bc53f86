"""When a visit pays: the age at which to replace, a due window's two ends, the price of a week's delay.

Amounts are plain numbers in the company's currency, for weighing only; what is billed stays decimal.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gamma, gammainc, ndtr, ndtri

from fleet.science.columns import Flags, Floats, as_floats

EARLY_CHANCE: Final = 0.10
"""Chance of being past the limit by the early date; the late date has the rest to 1. [-]"""
_EARLY_Z: Final = float(-ndtri(EARLY_CHANCE))
_LEAST_CHANCE: Final = 0.01
"""No window ends before this chance, however dear a failure: the tail isn't known better. Ours. [-]"""
_BISECTIONS: Final = 60
_LONGEST_AGE: Final = 20.0
"""Ages beyond this many scales count as never. [-]"""


@dataclass(frozen=True)
class AgeReplacement:
    """Best age to replace at, arrays of the broadcast shape of the inputs."""

    best_age: Floats
    """Infinite where running to failure is best. [gal or day]"""
    cost_rate: Floats
    """Long-run cost at the best age. [currency per gal or day]"""
    failure_cost_rate: Floats
    """Long-run cost of running to failure. [currency per gal or day]"""
    is_worthwhile: Flags
    """Planned replacement costs less than running to failure."""


def replacement_cost_rate(
    age: ArrayLike,
    scale: ArrayLike,
    shape: ArrayLike,
    planned_cost: ArrayLike,
    failure_cost: ArrayLike,
) -> Floats:
    """
    Return long-run cost when parts are replaced at an age, or at failure if that comes first.

    Parameters
    ----------
    age : array
        Age of planned replacement, above 0, infinite for run to failure. [gal or day]
    scale : array
        Weibull scale, above 0. [gal or day]
    shape : array
        Weibull shape, above 0. [-]
    planned_cost : array
        Part, work and trip of a planned replacement. [currency]
    failure_cost : array
        The same after a failure, with what the failure does. [currency]

    Returns
    -------
    array
        ``C(t) = (Cp R(t) + Cu (1 - R(t))) / ∫R``. [currency per gal or day]

    Source
    ------
    Age replacement of Barlow and Proschan; the formula as printed in the documentation of the reliability
    library for Python, whose example is checked in test_economics.
    """
    power, size = as_floats(shape), as_floats(scale)
    hazard = (as_floats(age) / size) ** power
    good = np.exp(-hazard)
    mean = size * gamma(1 + 1 / power) * gammainc(1 / power, hazard)
    return np.asarray((as_floats(planned_cost) * good + as_floats(failure_cost) * (1 - good)) / mean)


def age_replacement(
    scale: ArrayLike, shape: ArrayLike, planned_cost: ArrayLike, failure_cost: ArrayLike
) -> AgeReplacement:
    """
    Return the age at which planned replacement costs least in the long run.

    Parameters
    ----------
    scale : array
        Weibull scale, above 0. [gal or day]
    shape : array
        Weibull shape, above 0. [-]
    planned_cost : array
        Part, work and trip of a planned replacement, above 0. [currency]
    failure_cost : array
        The same after a failure, with what the failure does. [currency]

    Returns
    -------
    AgeReplacement
        Run to failure (infinite age, not worthwhile) where the shape is 1 or less or a failure costs no
        more than a plan; NaN where an input is NaN.

    Notes
    -----
    At the best age the hazard times the extra cost of a failure equals the cost rate. In ages relative to
    the scale, ``β u^(β-1) ∫R - (1 - R) = Cp / (Cu - Cp)``, whose left side only grows, so bisection finds
    it. Beyond 20 scales no part is left, so a later optimum is run to failure.

    Source
    ------
    Barlow and Proschan; the condition is the derivative of ``replacement_cost_rate`` set to 0.
    """
    size, power, planned, failure = np.broadcast_arrays(
        as_floats(scale), as_floats(shape), as_floats(planned_cost), as_floats(failure_cost)
    )
    can_pay = (power > 1) & (failure > planned)
    safe_power = np.where(can_pay, power, 2.0)
    target = planned / np.where(can_pay, failure - planned, 1.0)
    low, high = np.zeros(size.shape), np.full(size.shape, _LONGEST_AGE)
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        is_over = _marginal(middle, safe_power) >= target
        low, high = np.where(is_over, low, middle), np.where(is_over, middle, high)
    is_unknown = np.isnan(size + power + planned + failure)
    is_worthwhile = (
        can_pay & ~is_unknown & (_marginal(np.full(size.shape, _LONGEST_AGE), safe_power) >= target)
    )
    best = np.where(is_unknown, np.nan, np.where(is_worthwhile, high * size, np.inf))
    return AgeReplacement(
        best_age=best,
        cost_rate=replacement_cost_rate(best, size, power, planned, failure),
        failure_cost_rate=replacement_cost_rate(
            np.where(is_unknown, np.nan, np.inf), size, power, 0.0, failure
        ),
        is_worthwhile=is_worthwhile,
    )


def chance_past(day_d: ArrayLike, early_d: ArrayLike, likely_d: ArrayLike, late_d: ArrayLike) -> Floats:
    """
    Return the chance that a limit is reached by a day, from a finding's three dates.

    Parameters
    ----------
    day_d : array
        The day asked about. [day since 1970-01-01]
    early_d, likely_d, late_d : array
        10 %, 50 % and 90 % dates, in that order. [day since 1970-01-01]

    Returns
    -------
    array
        Chance by that day; a step where the dates fall together. [-]

    Notes
    -----
    A normal curve on either side of the likely date, each with its own width: right at the three dates,
    ours between and beyond them.
    """
    offset = as_floats(day_d) - as_floats(likely_d)
    width = np.where(offset < 0, _early_width(early_d, likely_d), _late_width(likely_d, late_d))
    with np.errstate(divide="ignore", invalid="ignore"):
        score = offset / width
    score = np.where(width > 0, score, np.where(offset < 0, -np.inf, np.inf))
    return np.where(np.isnan(offset + width), np.nan, ndtr(score))


def day_of_chance(chance: ArrayLike, early_d: ArrayLike, likely_d: ArrayLike, late_d: ArrayLike) -> Floats:
    """
    Return the day by which a limit is reached with this chance, the inverse of ``chance_past``.

    Parameters
    ----------
    chance : array
        Chance, above 0 and below 1. [-]
    early_d, likely_d, late_d : array
        10 %, 50 % and 90 % dates, in that order. [day since 1970-01-01]

    Returns
    -------
    array
        The day. [day since 1970-01-01]
    """
    score = ndtri(as_floats(chance))
    width = np.where(score < 0, _early_width(early_d, likely_d), _late_width(likely_d, late_d))
    return np.asarray(as_floats(likely_d) + score * width)


def due_window(
    early_d: ArrayLike,
    likely_d: ArrayLike,
    late_d: ArrayLike,
    life_days: ArrayLike,
    part_cost: ArrayLike,
    trip_cost: ArrayLike,
    failure_cost: ArrayLike,
    greatest_chance: float = 0.5,
) -> tuple[Floats, Floats]:
    """
    Return the earliest and the latest sensible date for a part whose life ends on uncertain dates.

    Parameters
    ----------
    early_d, likely_d, late_d : array
        10 %, 50 % and 90 % dates of reaching the limit, in that order. [day since 1970-01-01]
    life_days : array
        Whole expected life, installation to the likely date, above 0. [day]
    part_cost : array
        Part and work, 0 or more. [currency]
    trip_cost : array
        A trip of its own, saved when the part rides along with another visit, 0 or more. [currency]
    failure_cost : array
        Loss when the limit is passed in place, beyond part and trip; 0 when nothing is harmed. [currency]
    greatest_chance : float
        Largest chance of being past the limit that is ever accepted, 0.01 to 0.99. [-]

    Returns
    -------
    tuple of arrays
        not_before_d and not_after_d, the first never after the second; NaN where a date or cost is. They
        may lie in the past: then the work is due, or overdue. [day since 1970-01-01]

    Raises
    ------
    ValueError
        When greatest_chance is out of range.

    Notes
    -----
    Both ends ask the same: is the trip saved worth it?

    *Not before*: a day of life is worth ``(part + trip) / life``, the long-run cost of keeping the place
    filled. Riding along w days early wastes that times w and saves one trip, so w is at most
    ``life × trip / (part + trip)``. With no trip to save, not before the likely date.

    *Not after*: waiting for another visit risks ``failure × chance``, and saves one trip, so the chance
    may grow to ``trip / failure``, held between 1 % and ``greatest_chance``. Where the two cross, risk
    wins and both ends fall on one day.

    Source
    ------
    Our policy. The worth of a day is the renewal-reward cost rate of age replacement; test_economics
    finds the early end again as the renewal optimum for rare shared visits.
    """
    if not _LEAST_CHANCE <= greatest_chance <= 1 - _LEAST_CHANCE:
        raise ValueError(f"greatest_chance must be 0.01 to 0.99; it is {greatest_chance}.")
    part, trip, failure = as_floats(part_cost), as_floats(trip_cost), as_floats(failure_cost)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        spare = np.where(trip == 0, 0.0, trip / (part + trip))
        chance = np.where(failure == 0, np.inf, trip / failure)
    chance = np.clip(chance, _LEAST_CHANCE, greatest_chance)
    not_after = day_of_chance(chance, early_d, likely_d, late_d)
    not_before = as_floats(likely_d) - as_floats(life_days) * spare
    return np.minimum(not_before, not_after), np.where(np.isnan(not_before), np.nan, not_after)


def _marginal(age: Floats, shape: Floats) -> Floats:
    """Hazard × mean time in place less chance of failure, at an age relative to the scale."""
    hazard = age**shape
    mean = gamma(1 + 1 / shape) * gammainc(1 / shape, hazard)
    return np.asarray(shape * age ** (shape - 1) * mean + np.expm1(-hazard))


def _early_width(early_d: ArrayLike, likely_d: ArrayLike) -> Floats:
    return np.asarray((as_floats(likely_d) - as_floats(early_d)) / _EARLY_Z)


def _late_width(likely_d: ArrayLike, late_d: ArrayLike) -> Floats:
    return np.asarray((as_floats(late_d) - as_floats(likely_d)) / _EARLY_Z)
