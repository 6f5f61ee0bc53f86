"""Chlorine that passes carbon as it is used up, and what that costs the membrane behind it."""

import numpy as np

from fleet.science.columns import Floats
from fleet.science.settings import WearSettings
from shared.measures import GAL_PER_FT3

_LN2 = float(np.log(2.0))
_DAYS_PER_WEEK = 7.0


def contact_time_min(bed_volume_ft3: Floats, flow_gpm: Floats) -> Floats:
    """
    Return the empty-bed contact time.

    Parameters
    ----------
    bed_volume_ft3 : array
        Volume of the empty bed. [ft3]
    flow_gpm : array
        Flow through it, above 0. [gpm]

    Returns
    -------
    array
        V × 7.48 / Q, NaN where flow is not above 0. [min]

    Source
    ------
    Definition; 1 ft3 at 1 gpm is 7.48 min.
    """
    return np.where(
        flow_gpm > 0, bed_volume_ft3 * GAL_PER_FT3 / np.where(flow_gpm > 0, flow_gpm, 1.0), np.nan
    )


def fresh_halvings(ebct_min: Floats, rules: WearSettings) -> Floats:
    """
    Return how many times fresh carbon halves free chlorine.

    Parameters
    ----------
    ebct_min : array
        Empty-bed contact time, NaN when the bed is not known. [min]
    rules : WearSettings
        Half time and bounds.

    Returns
    -------
    array
        Halvings between the bounds; the default where contact time is unknown. [-]
    """
    halvings = np.clip(ebct_min / rules.carbon_half_time_min, rules.least_halvings, rules.most_halvings)
    return np.where(np.isfinite(ebct_min), halvings, rules.fresh_halvings)


def leak_share(wear: Floats, halvings: Floats) -> Floats:
    """
    Return the share of free chlorine that passes carbon of a given wear.

    Parameters
    ----------
    wear : array
        Consumed fraction of the rated dose, 0 and above. [-]
    halvings : array
        Halvings when fresh, above 1. [-]

    Returns
    -------
    array
        0.5^n with n = N - (N - 1)·wear, not above 1. [-]

    Notes
    -----
    The used front moves through the bed with the dose (depth law C/C0 = 0.5^(L/Lhalf), DIN 19603). One
    half-depth is left at the rated end, where 50 % reduction is still required (NSF/ANSI 42, value from
    memory).
    """
    left = halvings - (halvings - 1) * wear
    share: Floats = np.exp2(-np.maximum(left, 0.0))
    return share


def leaked_wear(wear: Floats, halvings: Floats) -> Floats:
    """
    Return the integral of ``leak_share`` over wear from 0.

    Parameters
    ----------
    wear : array
        Upper end, 0 and above. [-]
    halvings : array
        Halvings when fresh, above 1. [-]

    Returns
    -------
    array
        Closed form; times the rated dose it is the dose that leaked. [-]
    """
    spent = halvings / (halvings - 1)
    inside = np.minimum(wear, spent)
    curve = np.exp2(-halvings) * np.expm1(_LN2 * (halvings - 1) * inside) / (_LN2 * (halvings - 1))
    return curve + np.maximum(wear - spent, 0.0)


def mean_leak(from_wear: Floats, to_wear: Floats, halvings: Floats) -> Floats:
    """
    Return the dose-weighted mean leak between two states of wear.

    Parameters
    ----------
    from_wear : array
        Earlier wear. [-]
    to_wear : array
        Later wear. [-]
    halvings : array
        Halvings when fresh. [-]

    Returns
    -------
    array
        Mean share; the share itself where both are equal. [-]
    """
    step = to_wear - from_wear
    some = step > 1e-9
    mean = (leaked_wear(to_wear, halvings) - leaked_wear(from_wear, halvings)) / np.where(some, step, 1.0)
    return np.where(some, mean, leak_share(to_wear, halvings))


def membrane_life_lost(
    wear: Floats,
    wear_per_day: Floats,
    halvings: Floats,
    exposure_mg_h_l_per_day: Floats,
    tolerance_mg_h_l: Floats,
    days: Floats | float = _DAYS_PER_WEEK,
) -> Floats:
    """
    Return how much of a membrane's oxidant tolerance leaving the carbon in would spend.

    Parameters
    ----------
    wear : array
        Wear of the carbon now. [-]
    wear_per_day : array
        Its growth. [1/day]
    halvings : array
        Its halvings when fresh. [-]
    exposure_mg_h_l_per_day : array
        Free chlorine before the carbon × running hours per day. [mg·h/L/day]
    tolerance_mg_h_l : array
        Of the membrane. [mg·h/L]
    days : array or float
        How long the carbon stays in. [day]

    Returns
    -------
    array
        Share of the tolerance, beyond what fresh carbon would have let through in that time. [-]
    """
    fresh = mean_leak(np.zeros_like(wear), wear_per_day * days, halvings)
    late = mean_leak(wear, wear + wear_per_day * days, halvings)
    return (late - fresh) * exposure_mg_h_l_per_day * days / tolerance_mg_h_l
