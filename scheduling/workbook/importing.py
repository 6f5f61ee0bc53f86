"""Brings a whole fleet in from a workbook, a folder of CSV or rows in memory."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path

from django.conf import settings
from django.db import transaction

from fleet.models import AuditArea, AuditEntry, Person
from fleet.workbook.files import COMMENT, RawSheet, Source, plain_name, read_source
from fleet.workbook.import_run import BATCH, ImportRun, SheetCounts
from fleet.workbook.parse import ParsedSheet, parse_sheet
from fleet.workbook.saving import write_sheet
from fleet.workbook.template import write_rest, write_template
from scheduling.workbook.sheets import SHEETS
from shared.errors import DomainError, RowProblem
from shared.messages import joined, message
from shared.roles import Permission

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
    is_template: bool = True
    """Whether the file has sheets and columns of the template at all."""

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
    name: str
    """Of the file, for the trail."""
    is_template: bool = True


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
        Who brings it in; their role and branch bound what they may. None: all of it, from the server's shell.
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
    DomainError
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


def make_template(path: Path, by: Person | None = None) -> None:
    """Write the workbook that people fill in: the sheets and columns they may bring in."""
    sheets = [
        replace(sheet, columns=tuple(c for c in sheet.columns if c.needs is None or _may(by, c.needs)))
        for sheet in SHEETS
        if _may(by, sheet.needs)
    ]
    write_template(path, sheets)


def _may(by: Person | None, permission: Permission) -> bool:
    return by is None or by.may(permission)


def prepare(
    source: Source, *, now: datetime, by: Person | None = None, on_progress: Progress | None = None
) -> Prepared:
    """Read a source and look at every cell; touches no table.

    Raises DomainError when it can't be read, or when who brings it in may bring in nothing at all.
    """
    if by is not None and not by.may(Permission.IMPORT_FLEET):
        raise DomainError(
            message("Your role may not {value}.", value=message(Permission.IMPORT_FLEET.value)),
            remedy=message("Have somebody bring it in who may."),
        )
    tell = on_progress or _tell_nobody
    tell(0.0, message("reading the file"))
    raw = read_source(source)
    run = ImportRun(now, settings.TIME_ZONE, {sheet.name: sheet for sheet in SHEETS}, by)
    _parse(run, raw, tell)
    name = Path(source).name if isinstance(source, str | Path) else ""
    return Prepared(run, name, any(_is_of_template(sheet) for sheet in raw if sheet.headers) or not raw)


def write_prepared(
    prepared: Prepared,
    *,
    accept_good_rows: bool,
    wants_writing: bool = True,
    on_progress: Progress | None = None,
) -> ImportReport:
    """Write what was prepared, in one transaction (once); or find out what would come of it."""
    run = prepared.run
    with transaction.atomic():
        _write(run, on_progress or _tell_nobody)
        is_written = wants_writing and (accept_good_rows or not run.problems)
        if is_written:
            _note(run, prepared.name)
        else:
            transaction.set_rollback(True)
    for name, sheet in run.sheets.items():
        run.counts[name].refused = sum(row.is_refused for row in sheet.rows)
    order = {name: place for place, name in enumerate(run.declared)}
    problems = sorted(run.problems, key=lambda p: (order.get(p.sheet, -1), p.row))
    counts = dict(sorted(run.counts.items(), key=lambda item: order[item[0]]))
    parsed = list(run.sheets.values())
    return ImportReport(is_written, counts, problems, parsed, is_template=prepared.is_template)


def _is_of_template(sheet: RawSheet) -> bool:
    """Say whether a sheet has a name of the template and mostly its columns."""
    declared = next((known for known in SHEETS if known.name == sheet.name), None)
    if declared is None:
        return False
    names = {column.name for column in declared.columns} | {column.attribute for column in declared.columns}
    headers = [header for header in sheet.headers if header and not header.startswith(COMMENT)]
    known = sum(plain_name(header.partition("[")[0]) in names for header in headers)
    return 2 * known >= len(headers)


def _note(run: ImportRun, name: str) -> None:
    """Write the import to the audit trail, and each row with money."""
    counted = [
        message("{sheet}: {added} added, {changed} changed", sheet=sheet, added=c.added, changed=c.changed)
        for sheet, c in run.counts.items()
        if c.added or c.changed
    ]
    if counted:
        run.note(message("workbook imported"), AuditArea.FLEET, name, joined(", ", counted))
    AuditEntry.objects.bulk_create(run.trail, batch_size=BATCH)


def _parse(run: ImportRun, raw: list[RawSheet], tell: Progress) -> None:
    total = max(1, sum(len(sheet.rows) for sheet in raw))
    done = 0
    for sheet in raw:
        if not sheet.headers:
            continue
        if sheet.name not in run.declared:
            known = ", ".join(run.declared)
            remedy = message("Known: {list}. Delete it, or call it read me.", list=known)
            text = message("There is no sheet of this name.")
            run.problems.append(RowProblem(sheet.name, 1, "", sheet.name, text, remedy))
        elif sheet.name in run.sheets:
            text, remedy = message("This sheet is there twice."), message("Put both into one.")
            run.problems.append(RowProblem(sheet.name, 1, "", sheet.name, text, remedy))
        else:
            words = message("looking at {name}", name=sheet.name)
            at_hand = _Stretch(tell, words, READ, LOOKED_AT, done, len(sheet.rows), total)
            parsed = parse_sheet(run.declared[sheet.name], sheet, at_hand.advance, run.may)
            run.problems += parsed.problems
            run.sheets[sheet.name] = parsed
            run.counts[sheet.name] = SheetCounts(read=len(parsed.rows))
        done += len(sheet.rows)


def _write(run: ImportRun, tell: Progress) -> None:
    total = max(1, sum(len(sheet.rows) for sheet in run.sheets.values()))
    done = 0
    for name in run.declared:
        parsed = run.sheets.get(name)
        if parsed is None:
            continue
        rows = len(parsed.rows)
        at_hand = _Stretch(tell, message("writing {name}", name=name), LOOKED_AT, 1.0, done, rows, total)
        at_hand.advance(0)
        run.advance = at_hand.advance
        for column in parsed.sheet.columns:
            if column.refers_to:
                codes = {str(row.values[column.name]) for row in parsed.rows if column.name in row.values}
                run.fetch(run.declared[column.refers_to], codes)
        write_sheet(run, parsed)
        run.remember(parsed)
        _look_up_names_of_refused(run, parsed)
        done += rows
    tell(1.0, message("all rows are through"))


def _look_up_names_of_refused(run: ImportRun, parsed: ParsedSheet) -> None:
    """Report names that lead nowhere in rows refused for something else too: all of a row in one go."""
    named = [column for column in parsed.sheet.columns if column.refers_to]
    found = {(problem.row, problem.field) for problem in run.problems if problem.sheet == parsed.sheet.name}
    for row in parsed.rows:
        for column in named:
            if row.is_refused and column.name in row.values and (row.number, column.name) not in found:
                run.find(row, column)


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
