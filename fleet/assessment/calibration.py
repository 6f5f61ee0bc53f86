"""How often what was said came true: past assessments replayed, held against what removals showed since."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from fleet.assessment.columns import read_part_times, sorted_rows
from fleet.assessment.replay import replayed
from fleet.database.columns import UnitRange, number_of, read_columns
from fleet.models import RemovalReason, TreatmentUnit
from fleet.science.calibration import brier_score, calibration_table
from fleet.science.economics import chance_past

MOST_UNITS: Final = 3000
"""Treatment units looked back on; more would not change the shares by a point."""
LOOK_BACK_DAYS: Final = (360, 300, 240, 180, 120, 60)
"""How long ago each replayed assessment lies; each removal is held against the last one before it. [day]"""
_FOUND: Final = {
    RemovalReason.EARLY.value: 1,
    RemovalReason.WORN.value: 2,
    RemovalReason.FAILED.value: 2,
}


@dataclass(frozen=True)
class Calibration:
    """Stated chances against what happened."""

    table: pd.DataFrame
    """One row a bin, as ``fleet.science.calibration.calibration_table`` says."""
    brier: float
    statements: int
    units: int


def calibration(now_d: float, most_units: int = MOST_UNITS) -> Calibration:
    """
    Replay past assessments and hold their chances against what each removal since showed.

    Parameters
    ----------
    now_d : float
        Today. [day since 1970-01-01]
    most_units : int
        The first so many treatment units are looked back on.

    Returns
    -------
    Calibration
        Empty bins where nothing was said. Each removal is one statement: the chance, as known some weeks
        before, that the part would be past its limit on that very day, against how it was found. When it
        passed the limit nobody saw, and is not asked; parts in place, which nobody has looked at, and those
        taken out with nothing said of them, say nothing.
    """
    ids = list(TreatmentUnit.objects.order_by("id").values_list("id", flat=True)[:most_units])
    if not ids:
        return Calibration(calibration_table(np.array([]), np.array([])), float("nan"), 0, 0)
    which = UnitRange(ids[0], ids[-1])
    times, found = read_part_times(which), _found_at_removal(which)
    said, outcome = [], []
    for days_ago, until in zip(LOOK_BACK_DAYS, (*LOOK_BACK_DAYS[1:], 0), strict=True):
        shard, life = replayed(which, now_d - days_ago)
        row = np.searchsorted(times.part_id, shard.columns.parts.part_id)
        removed_d = times.removed_d[row]
        came = (removed_d > now_d - days_ago) & (removed_d <= now_d - until)
        said.append(chance_past(removed_d, life.early_d, life.likely_d, life.late_d)[came])
        outcome.append(found[row][came])
    chances, results = np.concatenate(said), np.concatenate(outcome)
    known = np.isfinite(chances) & np.isfinite(results)
    return Calibration(
        calibration_table(chances, results), brier_score(chances, results), int(known.sum()), len(ids)
    )


def _found_at_removal(which: UnitRange) -> np.ndarray:
    """Return by part id 1 where it was found worn or failed, 0 where good, NaN where nobody said."""
    columns = {"part_id": "p.id", "found": number_of("p.removal_reason", _FOUND)}
    rest = f"FROM fleet_part p WHERE {which.where('p.treatment_unit_id')}"
    found = sorted_rows(read_columns(columns, rest), "part_id")["found"]
    return np.where(found > 0, found - 1.0, np.nan)
