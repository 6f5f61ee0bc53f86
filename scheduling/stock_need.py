"""How many parts to hold: what standing orders ask for, and what is likely to fall due before more can come.

Pure numbers. Each part due soon is a coin with its own chance; their sum is spread as a Poisson binomial
distribution (Wang, Y. H., Statistica Sinica 3, 1993, names it and its sum form), worked out exactly.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date
from math import erf, sqrt
from typing import Final

import numpy as np

TENTH: Final = 1.2815515655446004
"""Standard normal quantile of 90 %: early and late lie so many spreads from likely."""
SURE: Final = 0.95
"""Chance that what is held is enough until more comes. Our choice."""


@dataclass(frozen=True)
class Need:
    """Parts of one kind: asked for now, expected beside that, and how many to hold."""

    standing: int
    expected: float
    hold: int


def chance_due_by(day: date, early: date, likely: date, late: date) -> float:
    """Return the chance that a part is used up by a day, from its 10, 50 and 90 % dates. [fraction]

    Between and beyond the dates a normal distribution with its own spread on either side, as the dates are
    given. Dates that coincide make a step.
    """
    side = (likely - early).days if day < likely else (late - likely).days
    away = (day - likely).days
    if side <= 0:
        return 0.0 if away < 0 else 1.0
    return 0.5 * (1 + erf(away / side * TENTH / sqrt(2)))


def need(standing: int, chances: Iterable[float], *, sure: float = SURE) -> Need:
    """Return how many parts to hold for standing orders and for parts that may fall due.

    Parameters
    ----------
    standing : parts that orders ask for.
    chances : of each part that may fall due, 0 to 1. [fraction]
    sure : chance that ``hold`` is enough, above 0 and below 1. [fraction]

    Raises
    ------
    ValueError
        For a chance outside 0 to 1, or ``sure`` outside.
    """
    each = np.fromiter(chances, dtype=float)
    if each.size and not ((each >= 0) & (each <= 1)).all():
        raise ValueError("A chance lies between 0 and 1.")
    if not 0 < sure < 1:
        raise ValueError("sure lies between 0 and 1.")
    spread = np.ones(1)
    for chance in each:
        spread = np.convolve(spread, (1 - chance, chance))
    enough = int(np.searchsorted(np.cumsum(spread), sure - 1e-12))
    return Need(standing, float(each.sum()), standing + min(enough, each.size))
