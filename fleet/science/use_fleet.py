"""What the whole fleet lends a single treatment unit: the season, the week, and use at like sites."""

from dataclasses import replace

import numpy as np

from fleet.science.columns import Floats, Ints, Units, UnitUse
from fleet.science.season import SeasonClock
from fleet.science.series import positive_median
from fleet.science.settings import UseSettings

_MONTHS = 12
_WELL_METERED = 10
_MAD = 1.4826
_WEEKDAYS = 7
_YEAR_D = 365.25
_EPOCH_WEEKDAY = 3
"""1970-01-01 was a Thursday; Monday is 0."""


def like_site_use(units: Units, use: UnitUse, group: Ints, weight: float = 4.0) -> Floats:
    """
    Return expected use of each unit from like sites, for sites without readings of their own.

    Parameters
    ----------
    units : Units
        Treatment units; their design duty is the scale.
    use : UnitUse
        From ``compute_use``.
    group : array (units,)
        Which units are alike (business, size), 0 and up; -1 for none.
    weight : float
        How many like sites the design duty weighs as much as. Ours.

    Returns
    -------
    array (units,)
        Design duty × what metered units of the group use relative to theirs (median), shrunk to 1 while the
        group is small. Without a design duty the median use of the group. Put it in
        ``Units.design_use_gal_per_day`` for the next assessment. [gal/day]
    """
    groups = int(group.max()) + 1 if len(group) else 0
    design = np.where(units.design_use_gal_per_day > 0, units.design_use_gal_per_day, np.nan)
    metered = ~use.is_design_duty & (group >= 0) & (use.permeate_gal_per_day > 0)
    known = metered & np.isfinite(design)
    ratio, count = positive_median(group[known], groups, (use.permeate_gal_per_day / design)[known])
    shrunk = np.exp(np.nan_to_num(np.log(ratio)) * count / (count + weight))
    plain, _ = positive_median(group[metered], groups, use.permeate_gal_per_day[metered])
    factor = np.append(shrunk, 1.0)[group]
    alone = np.append(plain, np.nan)[group]
    return np.where(np.isfinite(design), design * factor, alone)


def fit_use_rules(units: Units, use: UnitUse, rules: UseSettings, least_units: int = 30) -> UseSettings:
    """
    Learn from the fleet how much use swings and how far it lies from the design duty.

    Parameters
    ----------
    units : Units
        Treatment units with their design duty.
    use : UnitUse
        From ``compute_use`` with ``rules``.
    rules : UseSettings
        The rules so far.
    least_units : int
        With fewer well-metered units the rules stay as they are. Ours.

    Returns
    -------
    UseSettings
        ``design_spread`` the median of spread over use, ``design_cv`` 1.4826 × the median distance of use
        over design duty from 1 (the MAD of a normal), of units with 10 readings or more. Each unit's spread
        was drawn towards the old rule, so the new one goes most of the way; repeated nightly it arrives.
    """
    known = (use.readings_used >= _WELL_METERED) & (use.permeate_gal_per_day > 0)
    known &= units.design_use_gal_per_day > 0
    if int(known.sum()) < least_units:
        return rules
    rate = use.permeate_gal_per_day[known]
    spread = float(np.median(use.spread_gal_per_sqrt_day[known] / rate))
    apart = float(np.median(np.abs(rate / units.design_use_gal_per_day[known] - 1)))
    return replace(rules, design_spread=max(spread, 0.05), design_cv=max(_MAD * apart, 0.05))


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
    Weekly readings cannot show weekdays; only meters read daily can. Due dates are months away and need none.
    """
    weekday = (local_day + _EPOCH_WEEKDAY) % _WEEKDAYS
    counts = np.bincount(weekday, minlength=_WEEKDAYS)
    total = np.bincount(weekday, gal, _WEEKDAYS)
    mean = float(gal.mean()) if len(gal) and gal.mean() > 0 else 1.0
    factors: Floats = (total / mean + weight) / (counts + weight)
    even: Floats = factors / factors.mean()
    return even
