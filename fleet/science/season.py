"""Season and week as a clock that runs faster in the months and on the weekdays of more use.

What a whole fleet's meters teach of the season and the week of use.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np

from fleet.science.columns import Flags, Floats, Ints

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


LONGEST_INTERVAL_D: Final = 45.0
"""Longer intervals blur the season and are left out. Ours. [day]"""
LEAST_SWING: Final = 0.03
"""Months that differ less from their mean show no season. Ours. [-]"""
LEAST_UNITS: Final = 30
"""Fewer units with a whole year of readings (a month of daily ones for the week) teach nothing. Ours."""
_DAILY: Final = (0.8, 1.25)
"""Length of an interval that speaks for one weekday. [day]"""
_DAYS_FOR_WEEK: Final = 28
_MONTHS = 12
_WEEKDAYS = 7
_EPOCH_WEEKDAY = 3
"""1970-01-01 was a Thursday; Monday is 0."""


def learn_clock(
    unit_row: Ints, from_d: Floats, to_d: Floats, gal: Floats, local_ahead_d: Floats
) -> SeasonClock:
    """
    Learn season and week from a fleet's intervals, each only where the data can show it.

    Parameters
    ----------
    unit_row : array (n,)
        Treatment unit of each interval, 0 and up.
    from_d : array (n,)
        Begin. [day]
    to_d : array (n,)
        End, later than begin. [day]
    gal : array (n,)
        Use. [gal]
    local_ahead_d : array (units,)
        How far each unit's clock is ahead of UTC. [day]

    Returns
    -------
    SeasonClock
        Months from units read for a whole year or more, only whole years counted; weekdays from units read
        daily for four weeks. Even where fewer than 30 units can speak.
    """
    ahead = float(np.median(local_ahead_d)) if len(local_ahead_d) else 0.0
    kept = _whole_years(unit_row, from_d, to_d)
    months = SeasonClock().factor_by_month
    if len(np.unique(unit_row[kept])) >= LEAST_UNITS:
        fitted = fit_season(unit_row[kept], from_d[kept], to_d[kept], gal[kept]).factor_by_month
        months = fitted if max(abs(factor - 1) for factor in fitted) >= LEAST_SWING else months
    days = to_d - from_d
    daily = (days >= _DAILY[0]) & (days <= _DAILY[1]) & (gal >= 0)
    often = np.bincount(unit_row[daily], minlength=len(local_ahead_d)) >= _DAYS_FOR_WEEK
    daily &= often[unit_row]
    week = SeasonClock().factor_by_weekday
    if int(often.sum()) >= LEAST_UNITS:
        mine = unit_row[daily]
        rate = gal[daily] / days[daily]
        mean = np.bincount(mine, rate, len(often)) / np.maximum(np.bincount(mine, minlength=len(often)), 1)
        used = mean[mine] > 0
        middle = (from_d[daily] + to_d[daily]) / 2 + local_ahead_d[mine]
        relative = rate[used] / mean[mine][used]
        week = tuple(float(one) for one in fit_week(np.floor(middle[used]).astype(np.int64), relative))
    return SeasonClock(months, week, ahead)


def _whole_years(unit_row: Ints, from_d: Floats, to_d: Floats) -> Flags:
    """Intervals in a unit's newest whole years: the mean of a part of a year has the season in it."""
    units = int(unit_row.max()) + 1 if len(unit_row) else 0
    first, last = np.full(units, np.inf), np.full(units, -np.inf)
    np.minimum.at(first, unit_row, from_d)
    np.maximum.at(last, unit_row, to_d)
    span = np.where(last > first, last - first, 0.0)
    # A week's grace: meters are not read to the day.
    years = np.floor((span + _WEEKDAYS) / _YEAR_D)
    kept: Flags = (years[unit_row] >= 1) & (from_d >= last[unit_row] - years[unit_row] * _YEAR_D - _WEEKDAYS)
    return kept & (to_d - from_d <= LONGEST_INTERVAL_D) & (to_d > from_d)


def fit_season(
    unit_row: Ints, from_d: Floats, to_d: Floats, gal: Floats, weight: float = 50.0
) -> SeasonClock:
    """
    Learn the season of use from the intervals of a whole fleet.

    Parameters
    ----------
    unit_row : array (n,)
        Treatment unit of each interval, 0 and up.
    from_d : array (n,)
        Begin. [day]
    to_d : array (n,)
        End, later than begin. [day]
    gal : array (n,)
        Use. [gal]
    weight : float
        How many unit-months an even month weighs as much as. Ours.

    Returns
    -------
    SeasonClock
        Each interval's use over what its unit's mean rate would give counts in the month of its middle, by
        length; months with few data stay near 1.

    Notes
    -----
    Intervals much longer than a month blur the season; leave them out. A unit's mean must span whole years
    to be free of season, or the fleet must be mixed.
    """
    days = to_d - from_d
    units = int(unit_row.max()) + 1 if len(unit_row) else 0
    total, length = np.bincount(unit_row, gal, units), np.bincount(unit_row, days, units)
    mean = np.where(length > 0, total / np.where(length > 0, length, 1.0), np.nan)
    usable = mean[unit_row] > 0
    middle = ((from_d + to_d) / 2)[usable]
    month = np.floor((middle % _YEAR_D) / _YEAR_D * _MONTHS).astype(np.int64)
    rate = mean[unit_row[usable]]
    relative = np.bincount(month, gal[usable] / rate, _MONTHS)
    seen = np.bincount(month, days[usable], _MONTHS)
    prior = weight * _YEAR_D / _MONTHS
    factors = (relative + prior) / (seen + prior)
    return SeasonClock(tuple(float(factor) for factor in factors / factors.mean()))


def fit_week(local_day: Ints, gal: Floats, weight: float = 20.0) -> Floats:
    """
    Learn the share of each weekday from daily use.

    Parameters
    ----------
    local_day : array (n,)
        Days since 1970-01-01 in the site's time zone.
    gal : array (n,)
        Use of that day. [gal]
    weight : float
        How many days an even weekday weighs as much as. Ours.

    Returns
    -------
    array (7,)
        Use of Monday to Sunday relative to the mean day. [-]

    Notes
    -----
    Weekly readings cannot show weekdays; only meters read daily can.
    """
    weekday = (local_day + _EPOCH_WEEKDAY) % _WEEKDAYS
    counts = np.bincount(weekday, minlength=_WEEKDAYS)
    total = np.bincount(weekday, gal, _WEEKDAYS)
    mean = float(gal.mean()) if len(gal) and gal.mean() > 0 else 1.0
    factors: Floats = (total / mean + weight) / (counts + weight)
    even: Floats = factors / factors.mean()
    return even
