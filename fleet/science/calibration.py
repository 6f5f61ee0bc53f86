"""Was it as likely as we said? Chances stated earlier against what happened, ready to plot."""

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.special import ndtri

from fleet.science.columns import Floats, as_floats

BINS: Final = (0.0, 0.05, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 0.95, 1.0)
"""Edges of the bins, so that 10 %, 20 % … sit in the middle of theirs. [-]"""


def wilson_interval(
    happened: ArrayLike, counted: ArrayLike, confidence: float = 0.95
) -> tuple[Floats, Floats]:
    """
    Return the interval a share lies in, given how often it happened.

    Parameters
    ----------
    happened : array
        How many happened, 0 to counted. [count]
    counted : array
        Out of how many; 0 gives 0 to 1. [count]
    confidence : float
        Above 0 and below 1. [-]

    Returns
    -------
    tuple of arrays
        Lower and upper end. [-]

    Source
    ------
    Wilson (1927), J. Am. Stat. Assoc. 22, 209; checked against scipy and printed values in
    test_calibration.
    """
    hits, number = as_floats(happened), as_floats(counted)
    square = float(ndtri((1 + confidence) / 2)) ** 2
    share = hits / np.maximum(number, 1)
    centre = (hits + square / 2) / (number + square)
    half = np.sqrt(square) / (number + square) * np.sqrt(number * share * (1 - share) + square / 4)
    return np.maximum(centre - half, 0.0), np.minimum(centre + half, 1.0)


def calibration_table(
    said: ArrayLike, outcome: ArrayLike, edges: tuple[float, ...] = BINS, confidence: float = 0.95
) -> pd.DataFrame:
    """
    Return, for each bin of stated chance, how often it came true.

    Parameters
    ----------
    said : array (statements,)
        Chance stated, 0 to 1; NaN rows are left out. [-]
    outcome : array (statements,)
        1 happened, 0 did not, NaN not known. [-]
    edges : tuple of float
        Rising edges of the bins from 0 to 1; a bin holds its lower edge, the last both. [-]
    confidence : float
        Of the interval. [-]

    Returns
    -------
    DataFrame
        One row a bin: from_share, to_share, statements, said (mean), happened (share), low, high (Wilson),
        unknown (statements without an outcome), is_within (mean said lies in the interval). Shares are NaN
        in an empty bin. [-]

    Raises
    ------
    ValueError
        When a chance lies outside 0 to 1 or an outcome is neither 0, 1 nor unknown.

    Source
    ------
    Reliability diagram of forecast verification; intervals as ``wilson_interval``.
    """
    chances, results = as_floats(said), as_floats(outcome)
    stated = np.isfinite(chances)
    chances, results = chances[stated], results[stated]
    _check(chances, results)
    count = len(edges) - 1
    place = np.clip(np.searchsorted(edges, chances, side="right") - 1, 0, count - 1)
    known = np.isfinite(results)
    number = np.bincount(place[known], minlength=count)
    hits = np.bincount(place[known], weights=results[known], minlength=count)
    total = np.bincount(place[known], weights=chances[known], minlength=count)
    divisor = np.where(number > 0, number, np.nan)
    low, high = wilson_interval(hits, number, confidence)
    mean = total / divisor
    return pd.DataFrame(
        {
            "from_share": edges[:-1],
            "to_share": edges[1:],
            "statements": number,
            "said": mean,
            "happened": hits / divisor,
            "low": np.where(number > 0, low, np.nan),
            "high": np.where(number > 0, high, np.nan),
            "unknown": np.bincount(place[~known], minlength=count),
            "is_within": (mean >= low) & (mean <= high),
        }
    )


def brier_score(said: ArrayLike, outcome: ArrayLike) -> float:
    """
    Return the mean squared error of stated chances, 0 best, 1 worst.

    Parameters
    ----------
    said : array (statements,)
        Chance stated, 0 to 1; NaN rows are left out. [-]
    outcome : array (statements,)
        1 happened, 0 did not, NaN rows are left out. [-]

    Returns
    -------
    float
        ``mean((said - outcome)²)``; NaN when no statement has an outcome. [-]

    Raises
    ------
    ValueError
        When a chance lies outside 0 to 1 or an outcome is neither 0, 1 nor unknown.

    Notes
    -----
    Saying the plain share p every time scores p (1 - p): compare with that.

    Source
    ------
    Brier (1950), as in the documentation of forecast-verification libraries.
    """
    chances, results = as_floats(said), as_floats(outcome)
    known = np.isfinite(chances) & np.isfinite(results)
    _check(chances[known], results[known])
    if not known.any():
        return float("nan")
    return float(np.mean((chances[known] - results[known]) ** 2))


def _check(chances: Floats, results: Floats) -> None:
    if ((chances < 0) | (chances > 1)).any():
        raise ValueError("A stated chance must be 0 to 1.")
    if not np.isin(results[np.isfinite(results)], (0.0, 1.0)).all():
        raise ValueError("An outcome must be 1, 0 or unknown (NaN).")
