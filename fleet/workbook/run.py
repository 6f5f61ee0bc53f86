"""One import as it runs: what is known by code, what was refused, what was counted."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.db import models

from fleet.models import Person
from fleet.services.reading_rows import AHEAD, RecordReport
from fleet.workbook.parse import ParsedSheet, Row, shown
from shared.errors import RowProblem

CHUNK = 500
"""Codes per query: SQLite takes about a thousand."""


@dataclass
class SheetCounts:
    """What came of a sheet's rows."""

    read: int = 0
    added: int = 0
    changed: int = 0
    unchanged: int = 0
    refused: int = 0


@dataclass
class ImportRun:
    """What the writers of all sheets share."""

    now: datetime
    zone_name: str
    """Zone of moments that belong to no site."""
    by: Person | None = None
    problems: list[RowProblem] = field(default_factory=list)
    counts: dict[str, SheetCounts] = field(default_factory=dict)
    known: dict[str, dict[str, models.Model]] = field(default_factory=dict)
    """Sheet → code → row of the table, from the file or the database."""
    refused: dict[str, dict[str, Row]] = field(default_factory=dict)
    """Sheet → code → the file's row that was refused."""
    sheets: dict[str, ParsedSheet] = field(default_factory=dict)
    """Every sheet of the file, for writers that look at another one."""
    advance: Callable[[int], None] = field(default=lambda rows: None, repr=False)
    """Told by the writers how many more rows are through; what it raises ends the import."""
    refused_places: dict[tuple[str, str, str], Row] = field(default_factory=dict)
    """(sheet, treatment unit, position or water) → the file's row that was refused."""

    def refuse(self, row: Row, column: str, message: str, remedy: str) -> None:
        """Refuse a row, with its reason."""
        row.is_refused = True
        value = shown(row.get(column, ""))
        self.problems.append(RowProblem(row.sheet, row.number, column, value, message, remedy))

    def fetch(self, sheet: str, query: models.QuerySet, key: str, codes: Iterable[str]) -> None:
        """Make rows of the database known by code."""
        known = self.known.setdefault(sheet, {})
        wanted = sorted({code for code in codes if code not in known})
        for part in chunks(wanted):
            for found in query.filter(**{f"{key}__in": part}):
                known[getattr(found, key)] = found

    def take_report(self, rows: dict[int, Row], parsed: ParsedSheet, report: RecordReport) -> None:
        """Take over what a recording service said about rows, by row number."""
        for problem in report.problems:
            rows[problem.row].is_refused = True
        self.problems += report.problems
        counts = self.counts[parsed.sheet.name]
        counts.added += report.recorded
        counts.unchanged += report.duplicates

    def find(self, row: Row, column: str, sheet: str) -> models.Model | None:
        """Return the row that a cell names; None for a blank cell, or refused with the reason."""
        code = row.get(column)
        if code is None:
            return None
        found = self.known.get(sheet, {}).get(str(code))
        if found is not None:
            return found
        at = self.refused.get(sheet, {}).get(str(code))
        if at is not None:
            self.refuse(row, column, f"Depends on {sheet} row {at.number}, which was refused.",
                        "Correct that row first.")  # fmt: skip
        else:
            thing = _THINGS.get(sheet, "row")
            self.refuse(row, column, f"There is no {thing} {code!r}, in this file or in the database.",
                        f"Correct the code, or add the {thing} to the sheet {sheet}.")  # fmt: skip
        return None

    def remember(self, parsed: ParsedSheet, key: str) -> None:
        """Note the codes of refused rows, so that what depends on them can say so."""
        refused = self.refused.setdefault(parsed.sheet.name, {})
        known = self.known.setdefault(parsed.sheet.name, {})
        for row in parsed.rows:
            code = _raw_code(parsed, row, key)
            if row.is_refused and code and code not in known:
                refused[code] = row

    def remember_places(self, parsed: ParsedSheet, column: str, default: str = "") -> None:
        """Note refused rows by treatment unit and position (or water), for what depends on them."""
        for row in parsed.rows:
            if row.is_refused:
                unit, where = (_raw_code(parsed, row, name) for name in ("treatment_unit", column))
                place = (parsed.sheet.name, unit, where or default)
                self.refused_places[place] = row

    def moment(self, row: Row, column: str, zone_name: str) -> datetime | None:
        """Return a moment in UTC. Without a zone of its own it is the place's wall clock."""
        met = row.get(column)
        if met is None:
            return None
        if met.tzinfo is None:
            met = met.replace(tzinfo=ZoneInfo(zone_name))
        return met.astimezone(UTC)

    def past_moment(self, row: Row, column: str, zone_name: str) -> datetime | None:
        """Return a moment of something that happened; the future is refused."""
        met = self.moment(row, column, zone_name)
        if met is not None and met > self.now + AHEAD:
            self.refuse(row, column, "This date is in the future.", "Check year, month and day.")
        return met

    def past_date(self, row: Row, column: str) -> date | None:
        """Return a day of something that happened; a day after tomorrow's beginning is refused."""
        met = row.get(column)
        if met is not None and met > (self.now + timedelta(hours=14)).date():
            self.refuse(row, column, "This date is in the future.", "Check year, month and day.")
        return met


def chunks(items: list) -> Iterable[list]:
    """Cut a list into pieces that one query can name."""
    for start in range(0, len(items), CHUNK):
        yield items[start : start + CHUNK]


def _raw_code(parsed: ParsedSheet, row: Row, key: str) -> str:
    """Return a code of a row, also of one that could not be read, as far as it can be seen."""
    if row.get(key) is not None:
        return str(row.values[key])
    for index, header in enumerate(parsed.headers):
        if header.lower() == key and index < len(row.raw.cells):
            raw = row.raw.cells[index]
            return "" if raw is None else str(raw).strip()
    return ""


_THINGS = {
    "branches": "branch",
    "customers": "customer",
    "supplies": "water supply",
    "sites": "site",
    "catalogue": "part kind",
    "treatment_units": "treatment unit",
    "technicians": "technician",
}

Writer = Callable[[ImportRun, ParsedSheet], None]
"""Puts a sheet's good rows into the tables and counts them."""
