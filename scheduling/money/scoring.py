"""How good forecasts of counts were: error, bias, and whether the high number was high enough."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike


@dataclass(frozen=True)
class Score:
    """One forecaster's score over some months and kinds."""

    compared: int
    """How many counts were compared."""
    actual: float
    """What really happened, summed. [count]"""
    forecast: float
    """What was said, summed. [count]"""
    mean_absolute_error: float
    """Mean of ``|said - happened|``; NaN without a comparison. [count]"""
    relative_error: float
    """Summed absolute error over what happened, NaN when nothing happened. [-]"""
    enough: float
    """Share of counts for which the high number was enough; NaN when none was given. [-]"""

    @property
    def bias(self) -> float:
        """What was said over what happened, less 1; NaN when nothing happened. [-]"""
        return self.forecast / self.actual - 1 if self.actual else float("nan")


def score(actual: ArrayLike, forecast: ArrayLike, high: ArrayLike | None = None) -> Score:
    """
    Score forecasts of counts against what happened.

    Parameters
    ----------
    actual : array
        What happened. [count]
    forecast : array
        What was said; NaN where nothing could be said, which is left out. [count]
    high : array, optional
        The number that was to be enough with a stated chance. [count]

    Returns
    -------
    Score
    """
    happened, said = np.asarray(actual, dtype=np.float64), np.asarray(forecast, dtype=np.float64)
    known = np.isfinite(said)
    happened, said = happened[known], said[known]
    error = np.abs(said - happened)
    total = float(happened.sum())
    enough = float("nan")
    if high is not None and known.any():
        enough = float((happened <= np.asarray(high, dtype=np.float64)[known]).mean())
    return Score(
        compared=int(known.sum()),
        actual=total,
        forecast=float(said.sum()),
        mean_absolute_error=float(error.mean()) if known.any() else float("nan"),
        relative_error=float(error.sum()) / total if total else float("nan"),
        enough=enough,
    )
