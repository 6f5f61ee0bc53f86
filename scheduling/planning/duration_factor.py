"""How long drives and work really take against what plans reckon with: one factor, or not enough visits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from shared.messages import message

NEEDED = 50
"""Fewer finished drives or visits than this teach nothing yet. Our choice."""
LEAST_FACTOR, MOST_FACTOR = 0.5, 2.0
"""Beyond these the records, not the roads, are at fault. Our choice."""


@dataclass(frozen=True)
class DurationFactor:
    """``factor`` on what is reckoned, from ``visits`` of them; median error with 1, ``error_before``, and
    with it, ``error_after`` [%].
    """

    factor: float
    visits: int
    error_before: float
    error_after: float


@dataclass(frozen=True)
class NotEnough:
    """Why nothing can be learned yet from the ``visits`` there are."""

    visits: int
    reason: str


def fit_factor(
    reckoned: Sequence[float], happened: Sequence[float], needed: int = NEEDED
) -> DurationFactor | NotEnough:
    """
    Return the factor that brings what is reckoned closest to what happened.

    Parameters
    ----------
    reckoned, happened : the same drives or visits, reckoned above 0. [min]
    needed : how many are asked for before anything is said.

    Returns
    -------
    DurationFactor or NotEnough
        NotEnough under ``needed`` of them, or when the factor lies outside 0.5 to 2.

    Raises
    ------
    ValueError
        When the lengths differ or something reckoned is not above 0.

    Notes
    -----
    Least absolute error: sum |happened - f * reckoned| is least where f is the median of happened/reckoned
    weighted by reckoned. A coffee on the way moves it little, as it would not with least squares.

    Source
    ------
    Weighted median as the least-absolute-deviations fit of one slope through the origin: Boscovich's
    problem, Laplace (1793); value from memory.
    """
    planned, real = np.asarray(reckoned, dtype=float), np.asarray(happened, dtype=float)
    if planned.shape != real.shape:
        raise ValueError(f"{planned.size} reckoned and {real.size} happened must be the same visits")
    if planned.size and planned.min() <= 0:
        raise ValueError("what is reckoned must be above 0 minutes")
    if planned.size < needed:
        return NotEnough(
            int(planned.size),
            message("{size} finished, {needed} are needed", size=planned.size, needed=needed),
        )
    factor = round(_weighted_median(real / planned, planned), 2)
    if not LEAST_FACTOR <= factor <= MOST_FACTOR:
        return NotEnough(
            int(planned.size),
            message(
                "a factor of {factor:g} is beyond belief; look at the times in the close-outs", factor=factor
            ),
        )
    return DurationFactor(
        factor, int(planned.size), _median_error(planned, real), _median_error(factor * planned, real)
    )


def _weighted_median(values: np.ndarray, weights: np.ndarray) -> float:
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(reached, 0.5 * reached[-1])])


def _median_error(reckoned: np.ndarray, happened: np.ndarray) -> float:
    return round(float(np.median(np.abs(happened - reckoned) / reckoned)) * 100, 1)
