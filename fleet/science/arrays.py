"""One door from anything number-like to an array of floats, and what may divide."""

import numpy as np
from numpy.typing import ArrayLike

from fleet.science.columns import Floats

_LEAST = 1e-30


def as_floats(values: ArrayLike) -> Floats:
    """
    Return values as an array of 64-bit floats.

    Parameters
    ----------
    values : number, sequence or array
        Anything numpy reads as numbers.

    Returns
    -------
    array
        The same array when it already is one of 64-bit floats.
    """
    return np.asarray(values, dtype=np.float64)


def positive(values: Floats) -> Floats:
    """
    Return values with anything not above 0 as NaN (not above 1e-30, so that a quotient stays finite).

    Parameters
    ----------
    values : array
        Any numbers.

    Returns
    -------
    array
        The same, for use as a divisor.
    """
    return np.where(values > _LEAST, values, np.nan)
