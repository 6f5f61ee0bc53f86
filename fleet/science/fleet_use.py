"""What the whole fleet lends a single treatment unit: use at like sites, how much use swings and wanders."""

from dataclasses import dataclass, replace

import numpy as np

from fleet.science.columns import Floats, Ints, Units
from fleet.science.found import UnitUse
from fleet.science.series import positive_median
from fleet.science.settings import UseSettings

_WELL_METERED = 10
_MAD = 1.4826
_MOST_SEEN = 0.003
"""One unit's square of the wander counts no more than this: use that doubles in a year. Ours. [1/day]"""
_LEAST_WANDER = 0.0005


@dataclass(frozen=True)
class LikeSites:
    """What sites of each group use, arrays of one length; the row is the group's number."""

    ratio: Floats
    """Use over design duty, median; NaN where no metered unit has a design duty. [-]"""
    gal_per_day: Floats
    """Use, median; NaN where there is no metered unit. [gal/day]"""
    sites: Ints
    """Metered units with a design duty."""


def learn_like_sites(units: Units, use: UnitUse, group: Ints, groups: int) -> LikeSites:
    """
    Return what metered units of each group use, and how it compares with their design duty.

    Parameters
    ----------
    units : Units
        Treatment units; their design duty is the scale.
    use : UnitUse
        From ``compute_use``.
    group : array (units,)
        Which units are alike (kind of site), 0 and up; -1 for none.
    groups : int
        How many groups there are.

    Returns
    -------
    LikeSites
        Medians by group.
    """
    design = np.where(units.design_use_gal_per_day > 0, units.design_use_gal_per_day, np.nan)
    metered = ~use.is_design_duty & (group >= 0) & (use.permeate_gal_per_day > 0)
    known = metered & np.isfinite(design)
    ratio, count = positive_median(group[known], groups, (use.permeate_gal_per_day / design)[known])
    plain, _ = positive_median(group[metered], groups, use.permeate_gal_per_day[metered])
    return LikeSites(ratio, plain, count.astype(np.int64))


def lend_use(design_gal_per_day: Floats, group: Ints, like: LikeSites, weight: float = 4.0) -> Floats:
    """
    Return expected use of each unit before its own meter has spoken.

    Parameters
    ----------
    design_gal_per_day : array (units,)
        Design duty, NaN or 0 where there is none. [gal/day]
    group : array (units,)
        Row of ``like``, -1 for none.
    like : LikeSites
        From ``learn_like_sites``.
    weight : float
        How many like sites the design duty weighs as much as. Ours.

    Returns
    -------
    array (units,)
        Design duty × ``ratio ** (sites / (sites + weight))``; without a design duty the group's median use.
        Put it in ``Units.design_use_gal_per_day`` for the next assessment. [gal/day]
    """
    design = np.where(design_gal_per_day > 0, design_gal_per_day, np.nan)
    shrunk = np.exp(np.nan_to_num(np.log(like.ratio)) * like.sites / (like.sites + weight))
    factor = np.append(shrunk, 1.0)[group]
    alone = np.append(like.gal_per_day, np.nan)[group]
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
        ``use_wander`` is the root of the mean square of what units with readings enough show, those below 0
        by chance counted too, or the mean would never be 0.
    """
    known = (use.readings_used >= _WELL_METERED) & (use.permeate_gal_per_day > 0)
    known &= units.design_use_gal_per_day > 0
    if int(known.sum()) < least_units:
        return rules
    rate = use.permeate_gal_per_day[known]
    spread = float(np.median(use.spread_gal_per_sqrt_day[known] / rate))
    apart = float(np.median(np.abs(rate / units.design_use_gal_per_day[known] - 1)))
    seen = use.wander_seen[known & np.isfinite(use.wander_seen)]
    wander = rules.use_wander
    if len(seen) >= least_units:
        mean = float(np.clip(seen, -_MOST_SEEN, _MOST_SEEN).mean())
        wander = float(np.sqrt(max(mean, _LEAST_WANDER**2)))
    return replace(
        rules, design_spread=max(spread, 0.05), design_cv=max(_MAD * apart, 0.05), use_wander=wander
    )
