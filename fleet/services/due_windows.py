"""The two ends of each part's due window, from what a part, a trip and being late cost."""

from typing import Final

import numpy as np

from fleet.science import columns as science
from fleet.science.economics import due_window

TRIP_COST: Final = 65.0
"""A trip of its own, about an hour of a technician and the van. *Common practice.* [currency]"""
CARBON_HARM: Final = 0.3
"""Share of the membrane that spent carbon is expected to cost when passed. Our choice. [-]"""
MEMBRANE_HARM: Final = 1.0
"""A membrane past its limit costs about a further emergency trip. Our choice. [trip]"""
CLOG_HARM: Final = 1.5
"""A clogged or spent small part costs about this many trips. Our choice. [trip]"""
_CARBON_ROLES: Final = (science.PartRole.CARBON, science.PartRole.CATALYTIC_CARBON)


def due_windows(
    parts: science.Parts, life: science.PartLife, part_cost: np.ndarray
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
        Days since 1970-01-01 UTC, NaN where no date is known.
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
        return due_window(life.early_d, life.likely_d, life.late_d, life_days, part_cost, TRIP_COST, harm)
