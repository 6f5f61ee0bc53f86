"""Season as a clock that runs faster in the months of more use."""

from dataclasses import dataclass

import numpy as np

from fleet.science.columns import Floats

_YEAR_D = 365.25


@dataclass(frozen=True)
class SeasonClock:
    """
    Turns days into days of average use and back.

    Parameters
    ----------
    factor_by_month : tuple of 12 floats
        Use of each twelfth of the year, January first, relative to the yearly mean; scaled to mean 1. [-]

    Raises
    ------
    ValueError
        When there are not 12 factors above 0.

    Notes
    -----
    A year is 365.25 days counted from 1970-01-01, a month one twelfth of it, so a month's edge lies within
    two days of the calendar's. ``worked_days`` is piecewise linear and has an exact inverse.
    """

    factor_by_month: tuple[float, ...] = (1.0,) * 12

    def __post_init__(self) -> None:
        if len(self.factor_by_month) != 12 or not all(factor > 0 for factor in self.factor_by_month):
            raise ValueError("factor_by_month needs 12 factors above 0, January first.")

    @property
    def is_flat(self) -> bool:
        """Whether every month is the same."""
        return len(set(self.factor_by_month)) == 1

    def worked_days(self, at_d: Floats) -> Floats:
        """
        Days of average use since 1970.

        Parameters
        ----------
        at_d : array
            Times. [day]

        Returns
        -------
        array
            Integral of the season factor. [day]
        """
        if self.is_flat:
            return at_d
        year = np.floor(at_d / _YEAR_D)
        return year * _YEAR_D + np.interp(at_d - year * _YEAR_D, self._knots, self._sums)

    def day_of(self, worked_d: Floats) -> Floats:
        """
        Undo ``worked_days``.

        Parameters
        ----------
        worked_d : array
            Days of average use since 1970; infinity stays. [day]

        Returns
        -------
        array
            Times. [day]
        """
        if self.is_flat:
            return worked_d
        finite = np.where(np.isfinite(worked_d), worked_d, 0.0)
        year = np.floor(finite / _YEAR_D)
        inside = np.interp(finite - year * _YEAR_D, self._sums, self._knots)
        return np.where(np.isfinite(worked_d), year * _YEAR_D + inside, worked_d)

    @property
    def _knots(self) -> Floats:
        return np.linspace(0.0, _YEAR_D, 13)

    @property
    def _sums(self) -> Floats:
        shares = np.array(self.factor_by_month) / np.sum(self.factor_by_month)
        sums = np.concatenate(([0.0], np.cumsum(shares))) * _YEAR_D
        sums[-1] = _YEAR_D
        return sums
