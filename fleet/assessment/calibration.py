"""How often what was said came true: past assessments replayed, held against what happened since."""

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from fleet.assessment.columns import read_part_times, read_shard, sorted_rows
from fleet.database.columns import UnitRange, number_of, read_columns
from fleet.models import RemovalReason, TreatmentUnit
from fleet.science.assess import assess_shard
from fleet.science.calibration import brier_score, calibration_table, outcome_by
from fleet.science.economics import chance_past
from fleet.science.found import PartLife

MOST_UNITS: Final = 3000
"""Treatment units looked back on; more would not change the shares by a point."""
LOOK_BACK_DAYS: Final = (330, 270, 210, 150, 90)
"""How long ago each replayed assessment lies. [day]"""
AHEAD_DAYS: Final = (30.0, 60.0)
"""How far ahead each of them spoke. [day]"""
_ENDS: Final = {RemovalReason.WORN.value: 1, RemovalReason.FAILED.value: 1}
_UNTOLD: Final = {RemovalReason.UNKNOWN.value: 1}


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
        Empty bins where nothing was said. A part that came out early for another reason says nothing of the
        days after. Of one found worn only after the day we spoke of, hindsight says whether it was worn by
        that day already: its wear reckoned with all that was read until then. One in place past its limit,
        or taken out with no reason known, says nothing.
    """
    ids = list(TreatmentUnit.objects.order_by("id").values_list("id", flat=True)[:most_units])
    if not ids:
        return Calibration(calibration_table(np.array([]), np.array([])), float("nan"), 0, 0)
    which = UnitRange(ids[0], ids[-1])
    times = read_part_times(which)
    ended = _came_out_as(which, _ENDS)
    # Nobody has said whether these are used up; our own reckoning may not bear witness for itself.
    untold = _came_out_as(which, _UNTOLD) | _is_worn_now(which, times.part_id)
    replayed = {
        day: _replay(which, now_d - day, times.part_id)
        for day in sorted({day - ahead for day in LOOK_BACK_DAYS for ahead in (0.0, *AHEAD_DAYS)})
    }
    said, outcome = [], []
    for days_ago in LOOK_BACK_DAYS:
        then = replayed[days_ago]
        for ahead in AHEAD_DAYS:
            promised = np.full(len(then.row), now_d - days_ago + ahead)
            said.append(chance_past(promised, then.life.early_d, then.life.likely_d, then.life.late_d))
            came = outcome_by(promised, times.removed_d[then.row], ended[then.row], now_d)
            wear = replayed[days_ago - ahead].wear[then.row]
            hindsight = np.where(np.isnan(wear), np.nan, (wear >= 1).astype(np.float64))
            came = np.where(ended[then.row] & (came == 0), hindsight, came)
            outcome.append(np.where(untold[then.row] & (came == 0), np.nan, came))
    chances, results = np.concatenate(said), np.concatenate(outcome)
    known = np.isfinite(chances) & np.isfinite(results)
    return Calibration(
        calibration_table(chances, results), brier_score(chances, results), int(known.sum()), len(ids)
    )


@dataclass(frozen=True)
class _Replay:
    """What was known at a moment."""

    row: np.ndarray
    """Row among all parts of each part then in place."""
    life: PartLife
    wear: np.ndarray
    """By row among all parts, NaN where not in place."""


def _replay(which: UnitRange, then_d: float, part_ids: np.ndarray) -> _Replay:
    columns = read_shard(which, then_d, is_past=True).columns
    life = assess_shard(columns, then_d).life
    row = np.searchsorted(part_ids, columns.parts.part_id)
    wear = np.full(len(part_ids), np.nan)
    wear[row] = life.wear
    return _Replay(row, life, wear)


def _came_out_as(which: UnitRange, reasons: dict[str, int]) -> np.ndarray:
    """Return by part id whether it came out for one of the reasons."""
    columns = {"part_id": "p.id", "ended": number_of("p.removal_reason", reasons)}
    rest = f"FROM fleet_part p WHERE {which.where('p.treatment_unit_id')}"
    return sorted_rows(read_columns(columns, rest), "part_id")["ended"] > 0


def _is_worn_now(which: UnitRange, part_ids: np.ndarray) -> np.ndarray:
    """Return by part id whether it is in place past its limit."""
    columns = {"part_id": "s.part_id", "wear": "s.wear"}
    table = read_columns(columns, f"FROM fleet_partstate s WHERE {which.where('s.treatment_unit_id')}")
    return np.isin(part_ids, table["part_id"][table["wear"] >= 1])
