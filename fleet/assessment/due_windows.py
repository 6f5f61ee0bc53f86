"""The two ends of each part's due window, from what a part, a trip and being late cost."""

from typing import Final

import numpy as np

from fleet.science import columns as science
from fleet.science import found as science_found
from fleet.science.economics import age_replacement, due_window

TRIP_COST: Final = 65.0
"""A trip of its own, about an hour of a technician and the van. *Common practice.* [currency]"""
CARBON_HARM: Final = 0.3
"""Share of the membrane that spent carbon is expected to cost when passed. Our choice. [-]"""
MEMBRANE_HARM: Final = 1.0
"""A membrane past its limit costs about a further emergency trip. Our choice. [trip]"""
CLOG_HARM: Final = 1.5
"""A clogged or spent small part costs about this many trips. Our choice. [trip]"""
_OF_LEARNED_LIFE: Final = (science.Limit.VOLUME, science.Limit.CHLORINE_DOSE, science.Limit.HARDNESS_LOAD)
_CARBON_ROLES: Final = (science.PartRole.CARBON, science.PartRole.CATALYTIC_CARBON)


def due_windows(
    parts: science.Parts, life: science_found.PartLife, part_cost: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return not-before and not-after of each part in place.

    Parameters
    ----------
    parts, life : science tables of one shard, one row per part
    part_cost : array
        What each part costs the company. [currency]

    Returns
    -------
    tuple of arrays
        Days since 1970-01-01 UTC, NaN where no date is known. Where the fleet taught the spread of a kind's
        life, the latest date is no later than the best age of age replacement.
    """
    unit_count = int(parts.unit_row.max()) + 1 if len(parts.unit_row) else 0
    is_membrane = parts.role == science.PartRole.MEMBRANE
    membrane_cost = np.zeros(unit_count)
    np.maximum.at(membrane_cost, parts.unit_row[is_membrane], part_cost[is_membrane])
    harm = np.full(len(part_cost), CLOG_HARM * TRIP_COST)
    harm[is_membrane] = MEMBRANE_HARM * TRIP_COST
    carbon = np.isin(parts.role, _CARBON_ROLES)
    harm[carbon] = CARBON_HARM * membrane_cost[parts.unit_row[carbon]] + TRIP_COST
    life_days = np.maximum(life.likely_d - parts.installed_at_d, 1.0)
    with np.errstate(invalid="ignore"):
        first, last = due_window(
            life.early_d, life.likely_d, life.late_d, life_days, part_cost, TRIP_COST, harm
        )
        best = parts.installed_at_d + best_shares(parts, life, part_cost, harm) * life_days
        return first, np.where(np.isfinite(best), np.clip(best, first, last), last)


def best_shares(
    parts: science.Parts, life: science_found.PartLife, part_cost: np.ndarray, harm: np.ndarray
) -> np.ndarray:
    """Return the age at which planned replacement costs least, over the learned median life.

    Parameters
    ----------
    parts, life : science tables of one shard, one row per part
    part_cost, harm : arrays
        A part, and what its end in place costs beyond part and trip. [currency]

    Returns
    -------
    array
        NaN where no spread of life was learned, another limit governs, or running to failure costs least.
    """
    shares = np.full(len(part_cost), np.nan)
    rests = np.isfinite(parts.learned_life_gal) & np.isin(life.governing, _OF_LEARNED_LIFE)
    rows = np.flatnonzero(rests & (parts.learned_life_shape > 1) & np.isfinite(part_cost + harm))
    cases = np.column_stack([parts.learned_life_shape[rows], part_cost[rows] + TRIP_COST, harm[rows]])
    kinds, which = np.unique(cases, axis=0, return_inverse=True)
    shape, planned, extra = kinds.T
    found = age_replacement(np.log(2) ** (-1 / shape), shape, planned, planned + extra)
    shares[rows] = np.where(found.is_worthwhile, found.best_age, np.nan)[which.ravel()]
    return shares
