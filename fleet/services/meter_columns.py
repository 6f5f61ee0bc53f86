"""Register totals of a batch as columns, and which of them need a look of their own."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from typing import Final

import numpy as np

from fleet.services.reading_rows import AHEAD, FIRST_YEAR, NewMeterReading
from fleet.services.register_order import MeterFacts
from shared.measures import Measure, gal_per

_SURELY_OLD_ENOUGH: Final = datetime(FIRST_YEAR, 1, 2, tzinfo=UTC).timestamp()
"""From here on a moment is in the first believable year or later in any zone. [s since 1970-01-01 UTC]"""
_NOWHERE: Final = MeterFacts(0, 0, "", "", "", "gal", np.nan, np.nan, np.nan, np.nan)


@dataclass(frozen=True)
class MeterColumns:
    """Rows of the table of meter readings, one array a column, all of one length."""

    treatment_unit_id: np.ndarray
    meter_id: np.ndarray
    water: np.ndarray
    read_at_us: np.ndarray
    """[µs since 1970-01-01 UTC]"""
    total: np.ndarray
    total_gal: np.ndarray
    rollover_gal: np.ndarray
    revision: np.ndarray

    def rows(self, places: Sequence[int] | np.ndarray) -> "MeterColumns":
        """Return some of the rows."""
        return MeterColumns(*(getattr(self, column.name)[places] for column in fields(self)))


def columns_of(
    readings: Sequence[NewMeterReading], meters: Mapping[int, MeterFacts], now: datetime
) -> tuple[MeterColumns, list[int]]:
    """
    Turn readings into columns.

    Returns
    -------
    MeterColumns
        In the order of the readings, every revision 0. What stands in a doubtful row means nothing.
    list of int
        Places of doubtful rows: of no known meter, not believably timed, or not a total its register can
        show. A few of them may be all right; whoever looks at each decides.
    """
    meter_ids, read_at, totals, measures, *_ = zip(*readings, strict=True)
    ids, place = np.unique(np.array(meter_ids, dtype=np.int64), return_inverse=True)
    facts = [meters.get(meter_id, _NOWHERE) for meter_id in ids.tolist()]
    gal_per_count, end_gal, is_known = (
        np.array([getattr(one, name) for one in facts])[place]
        for name in ("gal_per_count", "end_gal", "meter_id")
    )
    total = np.array(totals, dtype=np.float64)
    at = np.array([np.nan if moment.tzinfo is None else moment.timestamp() for moment in read_at])
    gal_per_total, is_as_shown = _gal_per_total(measures, gal_per_count)
    with np.errstate(over="ignore", invalid="ignore"):
        gal = total * gal_per_total
        is_timed = (at >= _SURELY_OLD_ENOUGH) & (at < (now + AHEAD).timestamp())
        is_good = (is_known > 0) & is_timed & (total >= 0) & (gal < end_gal)
    columns = MeterColumns(
        treatment_unit_id=np.array([one.unit_id for one in facts], dtype=np.int64)[place],
        meter_id=ids[place],
        water=np.array([one.water for one in facts])[place],
        read_at_us=np.rint(np.nan_to_num(at) * 1e6).astype(np.int64),
        total=total if is_as_shown is True else np.where(is_as_shown, total, gal / gal_per_count),
        total_gal=gal,
        rollover_gal=end_gal,
        revision=np.zeros(len(total), dtype=np.int16),
    )
    return columns, np.flatnonzero(~is_good).tolist()


def _gal_per_total(
    measures: Sequence[Measure | None], gal_per_count: np.ndarray
) -> tuple[np.ndarray, np.ndarray | bool]:
    """Return gallons in one of what each total counts, and where that is the meter's own measure."""
    if measures.count(None) == len(measures):
        return gal_per_count, True
    given = np.array([np.nan if measure is None else gal_per(measure) for measure in measures])
    is_as_shown = np.isnan(given)
    return np.where(is_as_shown, gal_per_count, given), is_as_shown
