"""Many readings at once: from a grid with the treatment units down, or pasted from a spreadsheet.

Every cell that can't be taken is named with its row, field, value and remedy; nothing is half-written.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Final
from zoneinfo import ZoneInfo

from django.db import transaction
from django.utils.dateparse import parse_date, parse_datetime

from fleet.display.figures import measure_for
from fleet.models import AuditArea, Meter, Person, ReadingSource
from fleet.people import audit
from fleet.readings import gauges, meter_readings
from fleet.readings.rows import GAUGES, NewMeterReading, NewPerformanceReading, OnDoubt
from scheduling.entry.typed import read_total
from scheduling.pages.figures import quantity_of
from scheduling.visits.fields import read_number
from shared.errors import DomainError, RowProblem
from shared.measures import to_inside
from shared.messages import message

MOST_LINES: Final = 10_000
"""More belongs into a workbook, which shows a preview first."""
SHEET: Final = "readings"
_HEADINGS: Final = {
    "serial": "serial", "unit": "serial", "treatment unit": "serial", "meter": "serial", "total": "total",
    "register": "total", "reading": "total", "register shows": "total", "date": "read_at", "read": "read_at",
    "read at": "read_at",
}  # fmt: skip
_SPLIT: Final = re.compile(r"[\t;]")


@dataclass
class Line:
    """One row of input as typed; ``row`` as people count, from 1."""

    row: int
    serial: str = ""
    cells: dict[str, str] = field(default_factory=dict)
    """Texts by ``total``, ``read_at`` and gauge column; empty ones are left out."""
    text: str = ""
    """The pasted line, to be given back when it can't be taken."""


@dataclass
class Entered:
    """What came of it."""

    kept: int = 0
    duplicates: int = 0
    problems: list[RowProblem] = field(default_factory=list)
    asks: set[int] = field(default_factory=set)
    """Rows that would be kept with a reason."""
    named: list[tuple[str, RowProblem]] = field(default_factory=list)
    """The problems with the serial each is about, for a page."""

    @property
    def bad_rows(self) -> set[int]:
        """Return the rows that were not kept."""
        return {problem.row for problem in self.problems}


def lines_of(pasted: str, listed: Sequence[str] = ()) -> list[Line]:
    """
    Return what was pasted, line by line.

    The first line may name the columns: serial, total, date, or a gauge's column. Without names they are
    serial, total, date; a single column is taken in the order of ``listed`` serials.

    Raises DomainError for more lines than one paste takes, or a single column that fits no list.
    """
    rows = [(number, text) for number, text in enumerate(pasted.splitlines(), start=1) if text.strip()]
    if len(rows) > MOST_LINES:
        raise DomainError(
            message("{count} lines are more than one paste takes.", count=len(rows)),
            remedy=message("Paste at most {most} lines, or bring them in as a workbook.", most=MOST_LINES),
        )
    names = ["serial", "total", "read_at"]
    if rows and (named := _named(rows[0][1])):
        names, rows = named, rows[1:]
    is_column = bool(rows) and not any(_SPLIT.search(text) for _, text in rows)
    if is_column and names[0] == "serial" and len(rows) != len(listed):
        raise DomainError(
            message(
                "One column of {count} lines does not fit the list of {listed} meters below.",
                count=len(rows), listed=len(listed),
            ),
            remedy=message("Paste the serials beside the totals, or filter the list to the same rows."),
        )  # fmt: skip
    lines = []
    for place, (number, text) in enumerate(rows):
        cells = [cell.strip() for cell in _SPLIT.split(text)]
        given = (
            {"serial": listed[place], "total": cells[0]}
            if is_column
            else dict(zip(names, cells, strict=False))
        )
        serial = given.pop("serial", "")
        lines.append(Line(number, serial, {name: cell for name, cell in given.items() if cell}, text))
    return lines


def _named(text: str) -> list[str] | None:
    """Return the columns that a first line names; None where it holds values already."""
    heads = [re.sub(r"[_\s]+", " ", cell.strip().lower()) for cell in _SPLIT.split(text)]
    by_gauge = {name.replace("_", " "): name for name in GAUGES}
    names = [_HEADINGS.get(head) or by_gauge.get(head, "") for head in heads]
    return names if "serial" in names else None


def enter_many(
    lines: Iterable[Line], meters: Mapping[str, Meter], *, at: datetime, because: str = "", keep_good: bool,
    system: str, by: Person | None, now: datetime,
) -> Entered:  # fmt: skip
    """
    Record what the lines say.

    Parameters
    ----------
    lines : iterable of Line
    meters : mapping of str to Meter
        By serial of treatment unit and of meter.
    at : datetime
        When they were read, where a line says nothing else.
    because : str
        Why totals in doubt are kept; without it they are asked about.
    keep_good : bool
        Keep the good rows though others are refused; else one bad cell keeps all back. A row with one bad
        cell is bad as a whole.
    system : str
        The measures gauges are typed in.
    """
    done, totals, readings, by_row = Entered(), [], [], {}
    for line in lines:
        read = _read(line, meters, at, system, done.problems)
        if read is None:
            continue
        meter, moment, total, values = read
        by_row[line.row] = meter
        if total is not None:
            totals.append(
                NewMeterReading(meter.pk, moment, *total, row=line.row, kept_because=because.strip())
            )
        if values:
            readings.append(NewPerformanceReading(meter.treatment_unit_id, moment, values, row=line.row))
    with transaction.atomic():
        report = meter_readings.record_meter_readings(
            totals,
            source=ReadingSource.OFFICE,
            now=now,
            on_doubt=OnDoubt.ASK,
            accept_good_rows=True,
            sheet=SHEET,
        )
        bad = {problem.row for problem in report.problems}
        beside = gauges.record_performance_readings(
            [one for one in readings if one.row not in bad], source=ReadingSource.OFFICE, now=now,
            accept_good_rows=True, sheet=SHEET,
        )  # fmt: skip
        done.problems += [*report.problems, *beside.problems]
        done.asks = report.asks
        done.duplicates = report.duplicates + beside.duplicates
        done.kept = report.recorded + beside.recorded
        if done.problems and not keep_good:
            transaction.set_rollback(True)
            done.kept = 0
        elif done.kept:
            told = message("{kept} recorded, {bad} not", kept=done.kept, bad=len(done.bad_rows))
            what = message("readings recorded")
            audit.note(what, area=AuditArea.FLEET, about=SHEET, detail=told, by=by, now=now)
    done.problems.sort(key=lambda problem: problem.row)
    return done


def _read(line, meters, at, system, problems):
    """Return meter, moment, total and gauges of a line; None, its problems told, where a cell is bad."""

    def refuse(name: str, value: str, what: str, remedy: str) -> None:
        problems.append(RowProblem(SHEET, line.row, name, value, what, remedy))

    before = len(problems)
    meter = meters.get(line.serial.strip().casefold())
    if meter is None:
        refuse("serial", line.serial, message("There is no such treatment unit or meter in your branch."),
               message("Check the serial, as on the label."))  # fmt: skip
        return None
    total, moment, values = None, at, {}
    for name, text in line.cells.items():
        if name == "total":
            total = read_total(text)
            if total is None:
                refuse(name, text, message("This is no total."),
                       message("Write what the register shows, e.g. 48,210 or 48.2K."))  # fmt: skip
        elif name == "read_at":
            moment = _moment(text, ZoneInfo(meter.treatment_unit.site.time_zone))
            if moment is None:
                refuse(
                    name,
                    text,
                    message("This is no date."),
                    message("Write it as 2026-11-30 or 2026-11-30 14:05."),
                )
        elif name in GAUGES:
            number = read_number(text)
            if number is None:
                refuse(name, text, message("This is no number."), message("Write digits, e.g. 12.5."))
            else:
                quantity = quantity_of(name)
                values[name] = to_inside(number, measure_for(quantity, system)) if quantity else number
    if len(problems) == before and total is None and not values:
        refuse("total", "", message("Nothing was read."), message("Fill in the total, or leave the row out."))
    return None if len(problems) > before else (meter, moment, total, values)


def _moment(text: str, zone: ZoneInfo) -> datetime | None:
    """Read a moment on the site's clock; a day alone is its noon."""
    try:
        moment = parse_datetime(text)
        day: date | None = None if moment else parse_date(text)
    except ValueError:
        return None
    if day:
        moment = datetime.combine(day, time(12))
    if moment and moment.tzinfo is None:
        moment = moment.replace(tzinfo=zone)
    return moment


def meters_by_serial(serials: Iterable[str], branch_id: int | None) -> dict[str, Meter]:
    """Return meters in place by serial in small letters: of the unit (permeate first) and of the meter."""
    wanted = {serial.strip() for serial in serials if serial.strip()}
    found: dict[str, Meter] = {}
    meters = Meter.objects.filter(removed_at=None).select_related("treatment_unit__site")
    if branch_id:
        meters = meters.filter(treatment_unit__site__branch_id=branch_id)
    listed = sorted(wanted)
    for start in range(0, len(listed), 400):
        part = listed[start : start + 400]
        for meter in meters.filter(treatment_unit__serial__in=part).order_by("water"):
            # Feed and concentrate come before permeate by name, so that permeate stands.
            found[meter.treatment_unit.serial.casefold()] = meter
        for meter in meters.filter(serial__in=part):
            found.setdefault(meter.serial.casefold(), meter)
    return found
