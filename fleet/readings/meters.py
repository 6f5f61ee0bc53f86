"""Whether a register runs forwards: refuses a fall that is neither a rollover nor said to be right.

What recording knows of meters: locked for one batch, remembered from batch to batch of one call.
Register totals of a batch as columns, and which of them need a look of their own.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from typing import Final

import numpy as np
from django.db import connection

from fleet.models import Meter, MeterMeasure, MeterWater
from fleet.readings.rows import AHEAD, FIRST_YEAR, Batch, NewMeterReading, arrays
from fleet.science.settings import UseSettings
from shared.measures import Measure, gal_per
from shared.messages import message

_MINUTES_PER_DAY = 1440
_SLACK_GAL = 1e-6


@dataclass(frozen=True, slots=True)
class MeterFacts:
    """What a reading needs to know of its meter."""

    meter_id: int
    unit_id: int
    unit_serial: str
    water: str
    serial: str
    measure: str
    gal_per_count: float
    rollover: float
    """Where the register starts again. [meter's measure]"""
    design_permeate_gpm: float
    design_recovery: float

    @property
    def end_gal(self) -> float:
        """Where the register starts again. [gal]"""
        return self.rollover * self.gal_per_count

    @property
    def most_gal_per_day(self) -> float:
        """More can't flow, day and night. [gal/day]"""
        return most_gal_per_day(self.water, self.design_permeate_gpm, self.design_recovery)


@dataclass(frozen=True)
class Mark:
    """One total on a meter's line: a new one (its place in the batch) or one that stands already (-1)."""

    at: datetime
    gal: float
    index: int
    row: int = 0
    is_accepted: bool = False


def most_gal_per_day(water: str, design_permeate_gpm: float, design_recovery: float) -> float:
    """Return what can flow past a meter at most: design flow day and night with the margin for warm water."""
    permeate = design_permeate_gpm * _MINUTES_PER_DAY * UseSettings().physical_margin
    if water == MeterWater.FEED:
        return permeate / design_recovery
    if water == MeterWater.CONCENTRATE:
        return permeate * (1 - design_recovery) / design_recovery
    return permeate


def refuse_falls(batch: Batch, meter: MeterFacts, marks: Iterable[Mark]) -> None:
    """
    Refuse new totals that are lower than the meter's total before, or higher than one that stands after.

    Parameters
    ----------
    batch : Batch
        Takes the problems.
    meter : MeterFacts
        Whose line it is.
    marks : iterable of Mark
        Standing and new totals; any order.

    Notes
    -----
    A fall that is believable use past the end of the register is a rollover and passes. After a refused
    fall, rows below the last good total depend on it and are refused with that reason.
    """
    good: Mark | None = None
    fallen: Mark | None = None
    for mark in sorted(marks, key=lambda m: (m.at, m.index)):
        if good is None or mark.is_accepted or goes_on(meter, good, mark):
            if mark.index >= 0 and good is not None and not mark.is_accepted and leaps(meter, good, mark):
                _refuse_leap(batch, meter, good, mark)
                continue
            good, fallen = mark, None
            continue
        if mark.index < 0:
            if good.index >= 0 and not good.is_accepted:
                _refuse_above(batch, meter, good, mark)
            good, fallen = mark, None
        elif fallen is not None and mark.gal >= fallen.gal:
            batch.refuse(
                mark.index,
                mark.row,
                "total",
                shown_total(meter, mark),
                message(
                    "Depends on {sheet} row {row}, which was refused.", sheet=batch.sheet, row=fallen.row
                ),
                message("Correct that row first."),
            )
        else:
            _refuse_fall(batch, meter, good, mark)
            fallen = mark


def goes_on(meter: MeterFacts, before: Mark, after: Mark) -> bool:
    """Say whether a register can have gone from one total to the other: forwards, or past its end."""
    rise = after.gal - before.gal
    if rise >= -_SLACK_GAL:
        return True
    days = max((after.at - before.at).total_seconds() / 86400, 1.0)
    around = rise + meter.rollover * meter.gal_per_count
    return 0 <= around <= days * meter.most_gal_per_day


def leaps(meter: MeterFacts, before: Mark, after: Mark) -> bool:
    """Say whether a register rose by more than can have flowed, a day's flow always granted."""
    days = max((after.at - before.at).total_seconds() / 86400, 1.0)
    return after.gal - before.gal > days * meter.most_gal_per_day


def shown_total(meter: MeterFacts, mark: Mark) -> str:
    """Write a total as the register shows it."""
    return f"{mark.gal / meter.gal_per_count:,.10g} {meter.measure}"


def _name(meter: MeterFacts) -> str:
    if not meter.serial:
        return message("the {water} meter of {unit_serial}", water=meter.water, unit_serial=meter.unit_serial)
    return message(
        "the {water} meter {serial} of {unit_serial}",
        water=meter.water,
        serial=meter.serial,
        unit_serial=meter.unit_serial,
    )


def _last(meter: MeterFacts, before: Mark) -> dict[str, object]:
    """What a message says of the total before."""
    where = message(" (row {row})", row=before.row) if before.index >= 0 else ""
    return {"meter": _name(meter), "meter2": shown_total(meter, before), "at": before.at, "where": where}


def _refuse_leap(batch: Batch, meter: MeterFacts, before: Mark, mark: Mark) -> None:
    what = message(
        "The meter leaps: {meter} showed {meter2} on {at:%Y-%m-%d}{where}, and so much can't have flowed.",
        **_last(meter, before),
    )
    remedy = message(
        "Correct the wrong one of the two, look at the digits and the units of measure, or write yes in "
        "the column accept if the register really showed this."
    )
    batch.refuse(mark.index, mark.row, "total", shown_total(meter, mark), what, remedy)


def _refuse_fall(batch: Batch, meter: MeterFacts, before: Mark, mark: Mark) -> None:
    what = message(
        "The meter runs backwards: {meter} showed {meter2} on {at:%Y-%m-%d}{where}, and this is no rollover.",
        **_last(meter, before),
    )
    remedy = message(
        "Correct the wrong one of the two, declare the meter swap in the sheet "
        "meters, or write yes in the column accept if the register really "
        "showed this."
    )
    batch.refuse(mark.index, mark.row, "total", shown_total(meter, mark), what, remedy)


def _refuse_above(batch: Batch, meter: MeterFacts, mark: Mark, standing: Mark) -> None:
    batch.refuse(
        mark.index,
        mark.row,
        "total",
        shown_total(meter, mark),
        message(
            "The meter would run backwards: {meter} showed only {meter2} later, on "
            "{at:%Y-%m-%d}, and this is no rollover.",
            meter=_name(meter),
            meter2=shown_total(meter, standing),
            at=standing.at,
        ),
        message(
            "Correct the total or the date, or write yes in the column accept if "
            "the register really showed it."
        ),
    )


MOST_REMEMBERED: Final = 20_000
"""Meters remembered, so that a long call's memory stays flat."""
_GAL_PER: Final = {word: gal_per(Measure(word)) for word in MeterMeasure.values}


class MeterBook:
    """Facts of meters by id, for one call; inside a transaction only."""

    def __init__(self) -> None:
        self._facts: dict[int, MeterFacts] = {}

    def lock(self, meter_ids: Iterable[int]) -> dict[int, MeterFacts]:
        """Keep others from recording on these meters until the transaction ends; return what is known.

        A meter that does not exist is not in the answer.
        """
        wanted = set(meter_ids)
        if len(self._facts) > MOST_REMEMBERED:
            self._facts.clear()
        for part in arrays(sorted(wanted)):
            _lock(part)
        for part in arrays(sorted(wanted - self._facts.keys())):
            self._facts |= _read(part)
        return self._facts

    @staticmethod
    def read(meter_ids: Iterable[int]) -> dict[int, MeterFacts]:
        """Return facts of meters without locking anything, for whoever only looks."""
        facts: dict[int, MeterFacts] = {}
        for part in arrays(sorted(set(meter_ids))):
            facts |= _read(part)
        return facts


def _lock(meter_ids: list[int]) -> None:
    """Lock rows in the order of their keys, so that no two calls wait for each other. SQLite needs none."""
    if connection.vendor != "postgresql":
        return
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT count(*) FROM (SELECT 1 FROM fleet_meter WHERE id = ANY(%s::bigint[]) ORDER BY id "
            "FOR NO KEY UPDATE) AS locked",
            [f"{{{','.join(map(str, meter_ids))}}}"],
        )


def _read(meter_ids: list[int]) -> dict[int, MeterFacts]:
    rows = Meter.objects.filter(pk__any_of=meter_ids).values_list(
        "pk", "treatment_unit_id", "treatment_unit__serial", "water", "serial", "measure", "digits",
        "treatment_unit__design_permeate_gpm", "treatment_unit__design_recovery",
    )  # fmt: skip
    return {
        row[0]: MeterFacts(*row[:6], _GAL_PER[row[5]], float(10 ** row[6]), *row[7:])
        for row in rows.iterator()
    }


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
