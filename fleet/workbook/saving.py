"""One import as it runs: what is known by code, what was refused, what was counted.

Adds what is new and corrects what changed, a sheet at a time, by natural keys.
Two things can't be in one place at one time: parts in a position, meters on a water.
"""

from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.db import DatabaseError, models, transaction

from fleet.models import Person
from fleet.readings.rows import AHEAD, RecordReport
from fleet.workbook.parse import ParsedSheet, Row, shown
from shared.errors import RowProblem
from shared.messages import message

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
            self.refuse(
                row,
                column,
                message("Depends on {sheet} row {number}, which was refused.", sheet=sheet, number=at.number),
                message("Correct that row first."),
            )
        else:
            thing = _THINGS.get(sheet, "row")
            self.refuse(
                row,
                column,
                message(
                    "There is no {thing} {code!r}, in this file or in the database.", thing=thing, code=code
                ),
                message(
                    "Correct the code, or add the {thing} to the sheet {sheet}.", thing=thing, sheet=sheet
                ),
            )
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
            self.refuse(
                row, column, message("This date is in the future."), message("Check year, month and day.")
            )
        return met

    def past_date(self, row: Row, column: str) -> date | None:
        """Return a day of something that happened; a day after tomorrow's beginning is refused."""
        met = row.get(column)
        if met is not None and met > (self.now + timedelta(hours=14)).date():
            self.refuse(
                row, column, message("This date is in the future."), message("Check year, month and day.")
            )
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
    "supplies": message("water supply"),
    "sites": "site",
    "catalogue": message("part kind"),
    "treatment_units": message("treatment unit"),
    "technicians": "technician",
}

Writer = Callable[[ImportRun, ParsedSheet], None]
"""Puts a sheet's good rows into the tables and counts them."""

BATCH = 500
_SQLITE_TWICE = "UNIQUE constraint failed: "


@dataclass
class Candidate:
    """What a row wants a table's row to be. Values by attribute; a missing one is left as it is."""

    row: Row
    key: Hashable
    values: dict[str, object]


@dataclass
class Outcome:
    """What was added and corrected, with the file's rows."""

    saved: list[tuple[Row, models.Model]] = field(default_factory=list)
    added: list[tuple[Row, models.Model]] = field(default_factory=list)
    corrected_ids: set[int] = field(default_factory=set)


def save_rows(
    run: ImportRun,
    parsed: ParsedSheet,
    model: type[models.Model],
    candidates: list[Candidate],
    existing: dict[Hashable, models.Model],
    *,
    key_column: str,
    frozen: dict[str, tuple[str, str]] | None = None,
) -> Outcome:
    """
    Write candidates: new keys are added, changed values of known ones corrected, equal ones left.

    Parameters
    ----------
    key_column : str
        The column that a problem with the key is reported at.
    frozen : dict of attribute to (column, remedy)
        What may not be corrected by a file once it stands.

    Returns
    -------
    Outcome
        Rows that stand now. A row that the database refuses is refused with the database's reason.
    """
    counts = run.counts[parsed.sheet.name]
    seen: dict[Hashable, Row] = {}
    fresh: list[tuple[Row, models.Model]] = []
    changed: list[tuple[Row, models.Model, list[str]]] = []
    unchanged: list[int] = []
    outcome = Outcome()
    for candidate in candidates:
        row = candidate.row
        if row.is_refused:
            continue
        if candidate.key in seen:
            run.refuse(
                row,
                key_column,
                message("Row {number} says the same thing already.", number=seen[candidate.key].number),
                message("Keep one of the two rows."),
            )
            continue
        seen[candidate.key] = row
        found = existing.get(candidate.key)
        if found is None:
            fresh.append((row, model(**candidate.values)))
            continue
        differing = [name for name, value in candidate.values.items() if getattr(found, name) != value]
        if _refuse_frozen(run, row, differing, frozen or {}):
            continue
        for name in differing:
            setattr(found, name, candidate.values[name])
        if differing:
            changed.append((row, found, differing))
        else:
            unchanged.append(row.number)
            outcome.saved.append((row, found))
    # Corrections first: what comes out of a place makes room for what goes in.
    corrected = _correct(run, model, changed, key_column)
    _in_batches(run, fresh, key_column, lambda part: model._base_manager.bulk_create([o for _, o in part]))
    added = [(row, obj) for row, obj in fresh if not row.is_refused]
    # A row may fill several rows of the table; it counts once, as the most that happened to it.
    rows_added = {row.number for row, _obj in added}
    rows_changed = {row.number for row, _obj in corrected} - rows_added
    counts.added += len(rows_added)
    counts.changed += len(rows_changed)
    counts.unchanged += len(set(unchanged) - rows_added - rows_changed)
    outcome.added = added
    outcome.corrected_ids = {obj.pk for _row, obj in corrected}
    outcome.saved += added + corrected
    return outcome


def _refuse_frozen(
    run: ImportRun, row: Row, differing: list[str], frozen: dict[str, tuple[str, str]]
) -> bool:
    for name in differing:
        if name in frozen:
            column, remedy = frozen[name]
            run.refuse(
                row,
                column,
                message("{column} stands otherwise already and is not overwritten.", column=column),
                remedy,
            )
            return True
    return False


def _correct(
    run: ImportRun,
    model: type[models.Model],
    changed: list[tuple[Row, models.Model, list[str]]],
    key_column: str,
) -> list[tuple[Row, models.Model]]:
    names = sorted({name.removesuffix("_id") for _row, _obj, differing in changed for name in differing})
    pairs = [(row, obj) for row, obj, _differing in changed]
    _in_batches(
        run, pairs, key_column, lambda part: model._base_manager.bulk_update([o for _, o in part], names)
    )
    return [(row, obj) for row, obj in pairs if not row.is_refused]


def _in_batches(
    run: ImportRun,
    pairs: list[tuple[Row, models.Model]],
    key_column: str,
    write: Callable[[list[tuple[Row, models.Model]]], object],
) -> None:
    """Write in batches; a batch the database refuses goes row by row, so that only the culprit is refused."""
    for start in range(0, len(pairs), BATCH):
        part = pairs[start : start + BATCH]
        try:
            with transaction.atomic():
                write(part)
        except DatabaseError:
            for pair in part:
                _one(run, pair, key_column, write)
        run.advance(len(part))


def _one(
    run: ImportRun,
    pair: tuple[Row, models.Model],
    key_column: str,
    write: Callable[[list[tuple[Row, models.Model]]], object],
) -> None:
    row, obj = pair
    try:
        with transaction.atomic():
            write([pair])
    except DatabaseError as error:
        run.refuse(row, key_column, _reason(obj, str(error)), message("Correct the row."))


def _reason(obj: models.Model, error: str) -> str:
    """Return the words of the constraint that was broken."""
    for constraint in obj._meta.constraints:
        if constraint.name not in error:
            continue
        if isinstance(constraint, models.UniqueConstraint) and not constraint.condition:
            return message("Another row has the same {list} already.", list=", ".join(constraint.fields))
        return str(constraint.get_violation_error_message())
    if error.startswith(_SQLITE_TWICE):
        columns = error.removeprefix(_SQLITE_TWICE).replace(f"{obj._meta.db_table}.", "").replace("_id", "")
        return message("Another row has the same {columns} already.", columns=columns)
    return message("The database refuses this row: {error}.", error=error.splitlines()[0])


@dataclass(frozen=True)
class Stay:
    """A thing's time in a place. ``row`` is None for what stands in the database only."""

    place: Hashable
    begins: datetime
    ends: datetime | None
    name: str
    row: Row | None = None


def refuse_overlaps(run: ImportRun, stays: Iterable[Stay], what: str, where: str, column: str) -> None:
    """
    Refuse rows whose time in a place overlaps another's.

    Parameters
    ----------
    what : str
        What is placed, in the plural, for the message.
    where : str
        What the place is called.
    column : str
        The column that problems are reported at.
    """
    before: dict[Hashable, Stay] = {}
    for stay in sorted(stays, key=lambda s: (s.begins, s.row is not None, s.row.number if s.row else 0)):
        other = before.get(stay.place)
        if other is not None and (other.ends is None or other.ends > stay.begins):
            late, early = (stay, other) if stay.row is not None else (other, stay)
            if late.row is not None and not late.row.is_refused:
                _refuse(run, late, early, what, where, column)
            if stay.row is not None:
                continue
        before[stay.place] = stay


def _refuse(run: ImportRun, stay: Stay, other: Stay, what: str, where: str, column: str) -> None:
    until = message("to {ends:%Y-%m-%d}", ends=other.ends) if other.ends else message("and was not taken out")
    source = message("row {number}", number=other.row.number) if other.row else message("in the database")
    run.refuse(
        stay.row,
        column,
        message(
            "Two {what} in one {where}: {name} is there from {begins:%Y-%m-%d} {until} ({source}).",
            what=what,
            where=where,
            name=other.name,
            begins=other.begins,
            until=until,
            source=source,
        ),
        message("Give the one before its removed_at, or correct the dates."),
    )
