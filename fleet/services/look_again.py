"""When does a treatment unit want a look although nothing new was recorded?"""

from typing import Final

import numpy as np

from fleet.science import columns as science
from fleet.science.newest_tests import newest_test_days
from fleet.services import finding_rules as rules

LONGEST_DAYS: Final = 7
"""Figures that grow by the day are never older than this. Ours. [day]"""


def days_until_look(columns: science.ShardColumns, found: science.ShardFindings, now_d: float) -> np.ndarray:
    """Return in how many days each treatment unit is to be assessed again, 1 to ``LONGEST_DAYS``.

    Parameters
    ----------
    columns, found : one shard and what was found
    now_d : float
        The moment of the assessment. [days since 1970-01-01 UTC]

    Returns
    -------
    array of int
        Half the way to the nearest day on which a rule may answer otherwise, for such days shift a little
        while one waits; a day is taken off for places where it begins earlier.
    """
    nearest = np.full(len(columns.units.unit_id), np.inf)
    parts, use = columns.parts, found.use
    _nearer(nearest, parts.unit_row, found.life.early_d - rules.CHANGE_AHEAD_DAYS, now_d)
    rows = np.arange(len(nearest))
    _nearer(nearest, rows, use.last_read_at_d + rules.SILENT_DAYS, now_d)
    _nearer(nearest, rows, use.last_ran_at_d + columns.units.idle_limit_days, now_d)
    _nearer(nearest, rows, newest_test_days(columns) + rules.FEED_TEST_DAYS, now_d)
    _nearer(nearest, found.faults.unit_row, found.faults.read_at_d + rules.FAULT_MEMORY_DAYS, now_d)
    nearest[found.readiness.state == science.Readiness.BEDDING] = now_d
    days = np.floor((nearest - now_d - 1) / 2)
    return np.clip(np.where(np.isfinite(days), days, LONGEST_DAYS), 1, LONGEST_DAYS).astype(np.int64)


def _nearer(nearest: np.ndarray, row: np.ndarray, at_d: np.ndarray, now_d: float) -> None:
    """Enter moments not yet past, by more than a day's grace, where they are nearer."""
    ahead = np.where(at_d >= now_d - 2, at_d, np.inf)
    np.minimum.at(nearest, row, ahead)
