"""Every sheet of the workbook, in the order they are written.

Brings a whole fleet in from a workbook, a folder of CSV or rows in memory.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from django.conf import settings
from django.db import transaction

from fleet.models import Person
from fleet.workbook.files import RawSheet, Source, read_source
from fleet.workbook.parse import ParsedSheet, parse_sheet
from fleet.workbook.registry import FLEET_ENTRIES, Entry
from fleet.workbook.saving import ImportRun, SheetCounts
from fleet.workbook.template import write_rest, write_template
from scheduling.models import ServicePlan, Technician
from scheduling.workbook import sheets
from scheduling.workbook.writers import (
    write_absences,
    write_access_hours,
    write_plan_terms,
    write_plans,
    write_shifts,
    write_tax_rates,
    write_technicians,
)
from shared.errors import RowProblem
from shared.messages import message

ENTRIES: tuple[Entry, ...] = (
    *FLEET_ENTRIES,
    Entry(sheets.ACCESS_HOURS, write_access_hours),
    Entry(sheets.TECHNICIANS, write_technicians, lambda: Technician.objects.select_related("branch"), "code"),
    Entry(sheets.SHIFTS, write_shifts),
    Entry(sheets.ABSENCES, write_absences),
    Entry(
        sheets.PLANS,
        write_plans,
        lambda: ServicePlan.objects.select_related("site", "treatment_unit"),
        "code",
    ),
    Entry(sheets.PLAN_TERMS, write_plan_terms),
    Entry(sheets.TAX_RATES, write_tax_rates),
)
"""Others that a sheet names come before it."""

Progress = Callable[[float, str], None]
"""How far it is, 0 to 1, and what is at hand."""
READ, LOOKED_AT = 0.05, 0.35
"""About where the file is read, and where all its cells are looked at; the rest is writing. Measured."""


@dataclass
class ImportReport:
    """What came of an import, or what would have come of it."""

    is_written: bool
    counts: dict[str, SheetCounts]
    problems: list[RowProblem]
    parsed: list[ParsedSheet] = field(repr=False, default_factory=list)
    rest_path: Path | None = None

    @property
    def rows_written(self) -> int:
        """Rows added or changed."""
        return sum(c.added + c.changed for c in self.counts.values()) if self.is_written else 0

    def write_rest(self, path: Path) -> int:
        """Write the refused rows to a workbook with what is wrong beside them; return how many."""
        self.rest_path = path
        return write_rest(path, self.parsed, self.problems)


@dataclass
class Prepared:
    """A source that was read and looked at, not yet written."""

    run: ImportRun
    parsed: dict[str, ParsedSheet]


def import_workbook(
    source: Source,
    *,
    accept_good_rows: bool,
    now: datetime,
    by: Person | None = None,
    on_progress: Progress | None = None,
    rest_path: Path | None = None,
) -> ImportReport:
    """
    Bring in every sheet of a source, in one transaction.

    Parameters
    ----------
    source : path or dict of sheet name to rows
        An .xlsx, a folder with one CSV per sheet, one .csv, or rows (dicts or frames) in memory.
    accept_good_rows : bool
        Write the good rows although others are refused; by default nothing is written then.
    now : datetime
        The clock, aware.
    by : Person or None
        Who brings it in.
    on_progress : callable or None
        Called every few hundred rows with how far it is and what is at hand. What it raises ends the
        import with nothing written.
    rest_path : Path or None
        Where refused rows go as a workbook, when there are any and good ones were written.

    Returns
    -------
    ImportReport
        Counts by sheet and every problem at once.

    Raises
    ------
    CannotDo
        When the source can't be read at all.
    """
    prepared = prepare(source, now=now, by=by, on_progress=on_progress)
    report = write_prepared(prepared, accept_good_rows=accept_good_rows, on_progress=on_progress)
    if rest_path is not None and report.problems and accept_good_rows:
        report.write_rest(rest_path)
    return report


def preview(
    source: Source, *, now: datetime, by: Person | None = None, on_progress: Progress | None = None
) -> ImportReport:
    """Say what an import would do, and write nothing."""
    prepared = prepare(source, now=now, by=by, on_progress=on_progress)
    return write_prepared(prepared, accept_good_rows=True, wants_writing=False, on_progress=on_progress)


def make_template(path: Path) -> None:
    """Write the workbook that people fill in."""
    write_template(path, [entry.sheet for entry in ENTRIES])


def prepare(
    source: Source, *, now: datetime, by: Person | None = None, on_progress: Progress | None = None
) -> Prepared:
    """Read a source and look at every cell; touches no table. Raises CannotDo when it can't be read."""
    tell = on_progress or _tell_nobody
    tell(0.0, message("reading the file"))
    raw = read_source(source)
    run = ImportRun(now, settings.TIME_ZONE, by)
    return Prepared(run, _parse(run, raw, tell))


def write_prepared(
    prepared: Prepared,
    *,
    accept_good_rows: bool,
    wants_writing: bool = True,
    on_progress: Progress | None = None,
) -> ImportReport:
    """Write what was prepared, in one transaction (once); or find out what would come of it."""
    run, parsed = prepared.run, prepared.parsed
    with transaction.atomic():
        _write(run, parsed, on_progress or _tell_nobody)
        is_written = wants_writing and (accept_good_rows or not run.problems)
        if not is_written:
            transaction.set_rollback(True)
    for sheet in parsed.values():
        run.counts[sheet.sheet.name].refused = sum(row.is_refused for row in sheet.rows)
    order = {entry.sheet.name: place for place, entry in enumerate(ENTRIES)}
    problems = sorted(run.problems, key=lambda p: (order.get(p.sheet, -1), p.row))
    counts = dict(sorted(run.counts.items(), key=lambda item: order[item[0]]))
    return ImportReport(is_written, counts, problems, list(parsed.values()))


def _parse(run: ImportRun, raw: list[RawSheet], tell: Progress) -> dict[str, ParsedSheet]:
    sheets = {entry.sheet.name: entry.sheet for entry in ENTRIES}
    parsed: dict[str, ParsedSheet] = {}
    total = max(1, sum(len(sheet.rows) for sheet in raw))
    done = 0
    for sheet in raw:
        if not sheet.headers:
            continue
        if sheet.name not in sheets:
            run.problems.append(
                RowProblem(sheet.name, 1, "", sheet.name, message("There is no sheet of this name."),
                           message("Known: {list}. Delete it, or call it read me.", list=', '.join(sheets)))
            )  # fmt: skip
        elif sheet.name in parsed:
            run.problems.append(
                RowProblem(
                    sheet.name,
                    1,
                    "",
                    sheet.name,
                    message("This sheet is there twice."),
                    message("Put both into one."),
                )
            )
        else:
            at_hand = _Stretch(
                tell,
                message("looking at {name}", name=sheet.name),
                READ,
                LOOKED_AT,
                done,
                len(sheet.rows),
                total,
            )
            parsed[sheet.name] = parse_sheet(sheets[sheet.name], sheet, at_hand.advance)
            run.problems += parsed[sheet.name].problems
            run.sheets[sheet.name] = parsed[sheet.name]
            run.counts[sheet.name] = SheetCounts(read=len(parsed[sheet.name].rows))
        done += len(sheet.rows)
    return parsed


def _write(run: ImportRun, parsed: dict[str, ParsedSheet], tell: Progress) -> None:
    entries = {entry.sheet.name: entry for entry in ENTRIES}
    total = max(1, sum(len(sheet.rows) for sheet in parsed.values()))
    done = 0
    for name, entry in entries.items():
        sheet = parsed.get(name)
        if sheet is None:
            continue
        at_hand = _Stretch(
            tell, message("writing {name}", name=name), LOOKED_AT, 1.0, done, len(sheet.rows), total
        )
        at_hand.advance(0)
        run.advance = at_hand.advance
        _fetch(run, entries, sheet)
        entry.write(run, sheet)
        if entry.query is not None:
            run.remember(sheet, entry.code)
        _look_up_names_of_refused(run, sheet)
        done += len(sheet.rows)
    tell(1.0, message("all rows are through"))


def _look_up_names_of_refused(run: ImportRun, parsed: ParsedSheet) -> None:
    """Tell of names that lead nowhere in rows refused for something else too: all of a row in one go."""
    named = [column for column in parsed.sheet.columns if column.refers_to]
    told = {(problem.row, problem.field) for problem in run.problems if problem.sheet == parsed.sheet.name}
    for row in parsed.rows:
        for column in named:
            if row.is_refused and column.name in row.values and (row.number, column.name) not in told:
                run.find(row, column.name, column.refers_to)


@dataclass
class _Stretch:
    """Tells how far one sheet is, as a part of the whole."""

    tell: Progress
    words: str
    begins: float
    ends: float
    rows_before: int
    rows: int
    rows_in_all: int
    done: int = 0

    def advance(self, rows: int) -> None:
        # A row may fill several rows of a table.
        self.done = min(self.rows, self.done + rows)
        share = (self.rows_before + self.done) / self.rows_in_all
        part = self.begins + (self.ends - self.begins) * share
        self.tell(
            part,
            message("{words}: {done:,} of {rows:,} rows", words=self.words, done=self.done, rows=self.rows),
        )


def _tell_nobody(part: float, words: str) -> None:
    """Nobody is watching."""


def _fetch(run: ImportRun, entries: dict[str, Entry], parsed: ParsedSheet) -> None:
    """Make known what a sheet's rows name, and which of its own codes stand already."""
    own = entries[parsed.sheet.name]
    wanted = [(own, own.code)] if own.query is not None else []
    wanted += [(entries[c.refers_to], c.name) for c in parsed.sheet.columns if c.refers_to]
    for entry, column in wanted:
        codes = {str(row.values[column]) for row in parsed.rows if column in row.values}
        run.fetch(entry.sheet.name, entry.query(), entry.code, codes)
