"""Whether a register runs forwards: refuses a fall that is neither a rollover nor said to be right."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from fleet.models import MeterWater
from fleet.science.settings import UseSettings
from fleet.services.reading_rows import Batch

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
        if good is None or mark.is_accepted or _goes_on(meter, good, mark):
            good, fallen = mark, None
            continue
        if mark.index < 0:
            if good.index >= 0 and not good.is_accepted:
                _refuse_above(batch, meter, good, mark)
            good, fallen = mark, None
        elif fallen is not None and mark.gal >= fallen.gal:
            batch.refuse(mark.index, mark.row, "total", _shown(meter, mark),
                         f"Depends on {batch.sheet} row {fallen.row}, which was refused.",
                         "Correct that row first.")  # fmt: skip
        else:
            _refuse_fall(batch, meter, good, mark)
            fallen = mark


def _goes_on(meter: MeterFacts, before: Mark, after: Mark) -> bool:
    rise = after.gal - before.gal
    if rise >= -_SLACK_GAL:
        return True
    days = max((after.at - before.at).total_seconds() / 86400, 1.0)
    around = rise + meter.rollover * meter.gal_per_count
    return 0 <= around <= days * meter.most_gal_per_day


def _shown(meter: MeterFacts, mark: Mark) -> str:
    return f"{mark.gal / meter.gal_per_count:,.10g} {meter.measure}"


def _name(meter: MeterFacts) -> str:
    return f"the {meter.water} meter {meter.serial}".strip() + f" of {meter.unit_serial}"


def _refuse_fall(batch: Batch, meter: MeterFacts, before: Mark, mark: Mark) -> None:
    where = f" (row {before.row})" if before.index >= 0 else ""
    batch.refuse(
        mark.index, mark.row, "total", _shown(meter, mark),
        f"The meter runs backwards: {_name(meter)} showed {_shown(meter, before)} on "
        f"{before.at:%Y-%m-%d}{where}, and this is no rollover.",
        "Correct the wrong one of the two, declare the meter swap in the sheet meters, or write yes in the "
        "column accept if the register really showed this.",
    )  # fmt: skip


def _refuse_above(batch: Batch, meter: MeterFacts, mark: Mark, standing: Mark) -> None:
    batch.refuse(
        mark.index, mark.row, "total", _shown(meter, mark),
        f"The meter would run backwards: {_name(meter)} showed only {_shown(meter, standing)} later, on "
        f"{standing.at:%Y-%m-%d}, and this is no rollover.",
        "Correct the total or the date, or write yes in the column accept if the register really showed it.",
    )  # fmt: skip
