"""How often what was said came true: past assessments replayed, held against what happened since."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from fleet.models import RemovalReason, TreatmentUnit
from fleet.queries.column_reader import number_of, read_columns
from fleet.queries.columns import UnitRange
from fleet.queries.history import read_part_times, read_shard_then
from fleet.science.assess import assess_shard
from fleet.science.calibration import brier_score, calibration_table, outcome_by
from fleet.science.economics import chance_past

MOST_UNITS: Final = 3000
"""Treatment units looked back on; more would not change the shares by a point."""
LOOK_BACK_DAYS: Final = (330, 270, 210, 150, 90)
"""How long ago each replayed assessment lies. [day]"""
AHEAD_DAYS: Final = (30.0, 60.0)
"""How far ahead each of them spoke. [day]"""
_ENDS: Final = {RemovalReason.WORN.value: 1, RemovalReason.FAILED.value: 1}


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
    Replay past assessments and hold their chances against the removals since.

    Parameters
    ----------
    now_d : float
        Today. [day since 1970-01-01]
    most_units : int
        The first so many treatment units are looked back on.

    Returns
    -------
    Calibration
        Empty bins where nothing was said. A part that came out early for another reason says nothing, nor
        does one found worn only after the day we spoke of.
    """
    ids = list(TreatmentUnit.objects.order_by("id").values_list("id", flat=True)[:most_units])
    if not ids:
        return Calibration(calibration_table(np.array([]), np.array([])), float("nan"), 0, 0)
    which = UnitRange(ids[0], ids[-1])
    times = read_part_times(which)
    ended = _ended_worn(which)
    worn = ended | _is_worn_now(which, times.part_id)
    said, outcome = [], []
    for days_ago in LOOK_BACK_DAYS:
        then_d = now_d - days_ago
        columns = read_shard_then(which, then_d).columns
        life = assess_shard(columns, then_d).life
        row = np.searchsorted(times.part_id, columns.parts.part_id)
        for ahead in AHEAD_DAYS:
            promised = np.full(len(row), then_d + ahead)
            said.append(chance_past(promised, life.early_d, life.likely_d, life.late_d))
            came = outcome_by(promised, times.removed_d[row], ended[row], now_d)
            # Worn when at last somebody came: whether it was already worn by that day nobody knows.
            outcome.append(np.where(worn[row] & (came == 0), np.nan, came))
    chances, results = np.concatenate(said), np.concatenate(outcome)
    known = np.isfinite(chances) & np.isfinite(results)
    return Calibration(
        calibration_table(chances, results), brier_score(chances, results), int(known.sum()), len(ids)
    )


def _ended_worn(which: UnitRange) -> np.ndarray:
    """Return by part id whether it came out worn or failed."""
    columns = {"part_id": "p.id", "ended": number_of("p.removal_reason", _ENDS)}
    rest = f"FROM fleet_part p WHERE {which.where('p.treatment_unit_id')} ORDER BY p.id"
    return read_columns(columns, rest)["ended"] > 0


def _is_worn_now(which: UnitRange, part_ids: np.ndarray) -> np.ndarray:
    """Return by part id whether it is in place past its limit."""
    columns = {"part_id": "s.part_id", "wear": "s.wear"}
    table = read_columns(columns, f"FROM fleet_partstate s WHERE {which.where('s.treatment_unit_id')}")
    return np.isin(part_ids, table["part_id"][table["wear"] >= 1])
