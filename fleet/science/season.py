"""Season and week as a clock that runs faster in the months and on the weekdays of more use."""

from dataclasses import dataclass

import numpy as np

from fleet.science.columns import Floats

_YEAR_D = 365.25
_WEEK_D = 7.0
_MONDAY_OFFSET = 3.0
"""1970-01-01 was a Thursday; weeks begin on Monday."""


@dataclass(frozen=True)
class SeasonClock:
    """
    Turns days into days of average use and back.

    Parameters
    ----------
    factor_by_month : tuple of 12 floats
        Use of each twelfth of the year, January first, relative to the yearly mean; scaled to mean 1. [-]
    factor_by_weekday : tuple of 7 floats
        Use of each weekday, Monday first, relative to the mean day; scaled to mean 1. [-]
    local_ahead_d : float
        How far the clocks of the sites are ahead of UTC, so that a day is theirs. [day]

    Raises
    ------
    ValueError
        When there are not 12 and 7 factors above 0.

    Notes
    -----
    A year is 365.25 days counted from 1970-01-01, a month one twelfth of it, so a month's edge lies within
    two days of the calendar's. The week bends days inside each week, the season bends what comes of it; both
    are piecewise linear, so ``worked_days`` has an exact inverse.
    """

    factor_by_month: tuple[float, ...] = (1.0,) * 12
    factor_by_weekday: tuple[float, ...] = (1.0,) * 7
    local_ahead_d: float = 0.0

    def __post_init__(self) -> None:
        if len(self.factor_by_month) != 12 or not all(factor > 0 for factor in self.factor_by_month):
            raise ValueError("factor_by_month needs 12 factors above 0, January first.")
        if len(self.factor_by_weekday) != 7 or not all(factor > 0 for factor in self.factor_by_weekday):
            raise ValueError("factor_by_weekday needs 7 factors above 0, Monday first.")

    @property
    def is_flat(self) -> bool:
        """Whether every month and every weekday is the same."""
        return self.has_even_months and self.has_even_week

    @property
    def has_even_months(self) -> bool:
        """Whether every month is the same."""
        return len(set(self.factor_by_month)) == 1

    @property
    def has_even_week(self) -> bool:
        """Whether every weekday is the same."""
        return len(set(self.factor_by_weekday)) == 1

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
        days = self._bend_week(at_d, self._week_knots, self._week_sums)
        if self.has_even_months:
            return days
        year = np.floor(days / _YEAR_D)
        return year * _YEAR_D + np.interp(days - year * _YEAR_D, self._knots, self._sums)

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
        days = np.where(np.isfinite(worked_d), worked_d, 0.0)
        if not self.has_even_months:
            year = np.floor(days / _YEAR_D)
            days = year * _YEAR_D + np.interp(days - year * _YEAR_D, self._sums, self._knots)
        days = self._bend_week(days, self._week_sums, self._week_knots)
        return np.where(np.isfinite(worked_d), days, worked_d)

    def _bend_week(self, at_d: Floats, before: Floats, after: Floats) -> Floats:
        if self.has_even_week:
            return at_d
        shift = self.local_ahead_d + _MONDAY_OFFSET
        week = np.floor((at_d + shift) / _WEEK_D) * _WEEK_D
        return week + np.interp(at_d + shift - week, before, after) - shift

    @property
    def _knots(self) -> Floats:
        return np.linspace(0.0, _YEAR_D, 13)

    @property
    def _sums(self) -> Floats:
        return _sums_to(_YEAR_D, self.factor_by_month)

    @property
    def _week_knots(self) -> Floats:
        return np.linspace(0.0, _WEEK_D, 8)

    @property
    def _week_sums(self) -> Floats:
        return _sums_to(_WEEK_D, self.factor_by_weekday)


def _sums_to(length: float, factors: tuple[float, ...]) -> Floats:
    shares = np.array(factors) / np.sum(factors)
    sums = np.concatenate(([0.0], np.cumsum(shares))) * length
    sums[-1] = length
    return sums
