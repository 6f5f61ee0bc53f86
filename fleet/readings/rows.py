"""What is handed in to be recorded, what came of it, and the bounds of what can be believed.

What the recording services share: chunks of ids, sameness of values, storing revisions.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from enum import Enum, auto
from typing import NamedTuple

from django.db import connection

from shared.errors import RowProblem
from shared.measures import Measure
from shared.messages import message

AHEAD = timedelta(minutes=10)
"""How far a clock in the field may run ahead."""
FIRST_YEAR = 1980

GAUGES = {
    "feed_pressure_psi": 1500.0,
    "concentrate_pressure_psi": 1500.0,
    "permeate_pressure_psi": 500.0,
    "feed_temperature_c": 60.0,
    "feed_conductivity_us_cm": 200_000.0,
    "permeate_conductivity_us_cm": 200_000.0,
    "permeate_flow_gpm": 10_000.0,
    "concentrate_flow_gpm": 10_000.0,
    "sediment_inlet_psi": 500.0,
    "sediment_outlet_psi": 500.0,
    "chlorine_after_carbon_mg_l": 50.0,
}
"""Highest believable value of each gauge, by the table's column; all begin at 0. Ours: wide enough for
brackish water. Above it a value is a slip."""
TESTED = {
    "free_chlorine_mg_l": 50.0,
    "chloramine_mg_l": 50.0,
    "hardness_mg_l": 5000.0,
    "calcium_hardness_mg_l": 5000.0,
    "alkalinity_mg_l": 5000.0,
    "tds_mg_l": 100_000.0,
    "conductivity_us_cm": 200_000.0,
    "ph": 14.0,
    "temperature_c": 60.0,
    "iron_mg_l": 200.0,
    "manganese_mg_l": 50.0,
    "silica_mg_l": 500.0,
    "sulfate_mg_l": 10_000.0,
    "turbidity_ntu": 4000.0,
}
"""The same of each value of a feed test."""


class OnDoubt(Enum):
    """What recording does with a total that falls or leaps."""

    PASS = auto()
    """Nothing: assessment judges it. Telemetry and long files of other programs."""
    WARN = auto()
    """Keep it, with the doubt beside it. Whoever read it has left."""
    ASK = auto()
    """Refuse it until somebody says why it is kept."""


class NewMeterReading(NamedTuple):
    """One register total as read."""

    meter_id: int
    read_at: datetime
    total: float
    """In ``measure``; without one, as the register shows. [measure]"""
    measure: Measure | None = None
    row: int = 0
    """Where it stands in the input, for messages."""
    is_accepted: bool = False
    """The register really showed this, though it is lower than before."""
    kept_because: str = ""
    """Why it is kept though it is in doubt; typed by a person."""


@dataclass(frozen=True)
class NewPerformanceReading:
    """Gauges and flows of one moment. ``values`` by the table's column names, in the table's measures."""

    treatment_unit_id: int
    read_at: datetime
    values: dict[str, float]
    saw_fines: bool = False
    row: int = 0


@dataclass(frozen=True)
class NewFeedTest:
    """A feed test of a site or of a supply. ``values`` by the table's column names."""

    site_id: int | None
    supply_id: int | None
    sampled_at: datetime
    values: dict[str, float]
    source: str = ""
    row: int = 0


@dataclass
class RecordReport:
    """What came of a batch."""

    recorded: int = 0
    duplicates: int = 0
    """Known already with the same value; nothing was written for them."""
    corrected: int = 0
    """Written as a higher revision."""
    problems: list[RowProblem] = field(default_factory=list)
    asks: set[int] = field(default_factory=set)
    """Rows refused only because their total is in doubt: with a reason they are kept."""
    unit_ids: set[int] = field(default_factory=set)
    """Treatment units that have new readings of their own, for a prompt assessment."""


@dataclass
class Batch:
    """The problems of one batch, and which rows they refuse."""

    sheet: str
    now: datetime
    problems: list[RowProblem] = field(default_factory=list)
    refused: set[int] = field(default_factory=set)
    """Places in the batch, not row numbers."""

    def refuse(self, index: int, row: int, column: str, value: object, message: str, remedy: str) -> None:
        """Refuse one row of the batch."""
        self.refused.add(index)
        self.problems.append(RowProblem(self.sheet, row, column, str(value), message, remedy))

    def check_moment(self, index: int, row: int, column: str, at: datetime) -> None:
        """Refuse what has not happened yet, has no zone, or is older than any meter."""
        if at.tzinfo is None:
            self.refuse(
                index,
                row,
                column,
                at.isoformat(),
                message("This moment has no time zone."),
                message("Add one, e.g. Z."),
            )
        elif at > self.now + AHEAD:
            self.refuse(index, row, column, at.isoformat(), message("This date is in the future."),
                        message("Check year, month and day."))  # fmt: skip
        elif at.year < FIRST_YEAR:
            self.refuse(
                index,
                row,
                column,
                at.isoformat(),
                message("The year {year} is not believable.", year=at.year),
                message("Check the date."),
            )

    def check_values(
        self, index: int, row: int, values: dict[str, float], highest_by_name: dict[str, float]
    ) -> None:
        """Refuse values that are negative, absurd or no number; and an unknown name."""
        for name, value in values.items():
            highest = highest_by_name.get(name)
            if highest is None:
                self.refuse(
                    index,
                    row,
                    name,
                    value,
                    message("There is no measured value {name!r}.", name=name),
                    message("Check the name."),
                )
            elif not math.isfinite(value):
                self.refuse(index, row, name, value, message("This is no number that can be counted with."),
                            message("Leave it out if unknown."))  # fmt: skip
            elif value < 0:
                self.refuse(
                    index,
                    row,
                    name,
                    value,
                    message("{name} can't be negative.", name=name),
                    message("Check the value."),
                )
            elif value > highest:
                self.refuse(
                    index,
                    row,
                    name,
                    value,
                    message(
                        "{name} can't be above {highest:g}; this value is not believable.",
                        name=name,
                        highest=highest,
                    ),
                    message("Check the value and its measure."),
                )


CHUNK = 400
"""Ids per query: SQLite takes about a thousand."""
MANY = 20_000
"""Ids per query where they go as one array."""
BATCH = 2000
ANOTHER_VALUE = message("Another value is recorded for this moment already")
AS_CORRECTION = message("Readings are not overwritten: record it as a correction.")
_TOLERANCE = 1e-9


def store(model: type, rows: list, replaced: list[int], report: RecordReport) -> None:
    """Add rows; those they replace are no longer the latest."""
    for part in chunks(replaced):
        model.objects.filter(pk__in=part).update(is_latest=False)
    model.objects.bulk_create(rows, batch_size=BATCH)
    report.corrected = len(replaced)
    report.recorded = len(rows) - len(replaced)
    report.unit_ids = {row.treatment_unit_id for row in rows}


def same(one: float | None, other: float | None) -> bool:
    """Say whether two values are the same, both missing included."""
    if one is None or other is None:
        return one is other
    return math.isclose(one, other, rel_tol=_TOLERANCE, abs_tol=_TOLERANCE)


def chunks(items: Iterable) -> Iterable[list]:
    """Cut ids into pieces that one query can name."""
    return _pieces(items, CHUNK)


def arrays(items: Iterable) -> Iterable[list]:
    """Cut ids into pieces for ``any_of``: long ones where the database takes arrays."""
    return _pieces(items, MANY if connection.vendor == "postgresql" else CHUNK)


def _pieces(items: Iterable, size: int) -> Iterable[list]:
    listed = list(items)
    for start in range(0, len(listed), size):
        yield listed[start : start + size]
