"""One door from anything number-like to an array of floats."""

import numpy as np
from numpy.typing import ArrayLike

from fleet.science.columns import Floats


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
