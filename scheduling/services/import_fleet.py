"""Brings a whole fleet in from a workbook, a folder of CSV or rows in memory."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from django.conf import settings
from django.db import transaction

from fleet.models import Person
from fleet.workbook.parse import ParsedSheet, parse_sheet
from fleet.workbook.registry import Entry
from fleet.workbook.run import ImportRun, SheetCounts
from fleet.workbook.source import RawSheet, Source, read_source
from fleet.workbook.write_file import write_rest, write_template
from scheduling.workbook.registry import ENTRIES
from shared.errors import RowProblem

Progress = Callable[[int, int, str], None]
"""Rows done, rows in all, name of the sheet at hand."""


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
        Called with rows done, rows in all and the sheet at hand.
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
    report = _carry_out(source, accept_good_rows, True, now, by, on_progress)
    if rest_path is not None and report.problems and accept_good_rows:
        report.write_rest(rest_path)
    return report


def preview(
    source: Source, *, now: datetime, by: Person | None = None, on_progress: Progress | None = None
) -> ImportReport:
    """Say what an import would do, and write nothing."""
    return _carry_out(source, True, False, now, by, on_progress)


def make_template(path: Path) -> None:
    """Write the workbook that people fill in."""
    write_template(path, [entry.sheet for entry in ENTRIES])


def _carry_out(
    source: Source,
    accept_good_rows: bool,
    wants_writing: bool,
    now: datetime,
    by: Person | None,
    on_progress: Progress | None,
) -> ImportReport:
    raw = read_source(source)
    run = ImportRun(now, settings.TIME_ZONE, by)
    parsed = _parse(run, raw)
    with transaction.atomic():
        _write(run, parsed, on_progress)
        is_written = wants_writing and (accept_good_rows or not run.problems)
        if not is_written:
            transaction.set_rollback(True)
    for sheet in parsed.values():
        run.counts[sheet.sheet.name].refused = sum(row.is_refused for row in sheet.rows)
    order = {entry.sheet.name: place for place, entry in enumerate(ENTRIES)}
    problems = sorted(run.problems, key=lambda p: (order.get(p.sheet, -1), p.row))
    counts = dict(sorted(run.counts.items(), key=lambda item: order[item[0]]))
    return ImportReport(is_written, counts, problems, list(parsed.values()))


def _parse(run: ImportRun, raw: list[RawSheet]) -> dict[str, ParsedSheet]:
    sheets = {entry.sheet.name: entry.sheet for entry in ENTRIES}
    parsed: dict[str, ParsedSheet] = {}
    for sheet in raw:
        if not sheet.headers:
            continue
        if sheet.name not in sheets:
            run.problems.append(
                RowProblem(sheet.name, 1, "", sheet.name, "There is no sheet of this name.",
                           f"Known: {', '.join(sheets)}. Delete it, or call it read me.")
            )  # fmt: skip
        elif sheet.name in parsed:
            run.problems.append(
                RowProblem(sheet.name, 1, "", sheet.name, "This sheet is there twice.", "Put both into one.")
            )
        else:
            parsed[sheet.name] = parse_sheet(sheets[sheet.name], sheet)
            run.problems += parsed[sheet.name].problems
            run.sheets[sheet.name] = parsed[sheet.name]
            run.counts[sheet.name] = SheetCounts(read=len(parsed[sheet.name].rows))
    return parsed


def _write(run: ImportRun, parsed: dict[str, ParsedSheet], on_progress: Progress | None) -> None:
    entries = {entry.sheet.name: entry for entry in ENTRIES}
    total = sum(len(sheet.rows) for sheet in parsed.values())
    done = 0
    for name, entry in entries.items():
        sheet = parsed.get(name)
        if sheet is None:
            continue
        if on_progress is not None:
            on_progress(done, total, name)
        _fetch(run, entries, sheet)
        entry.write(run, sheet)
        if entry.query is not None:
            run.remember(sheet, entry.code)
        done += len(sheet.rows)
    if on_progress is not None:
        on_progress(done, total, "")


def _fetch(run: ImportRun, entries: dict[str, Entry], parsed: ParsedSheet) -> None:
    """Make known what a sheet's rows name, and which of its own codes stand already."""
    own = entries[parsed.sheet.name]
    wanted = [(own, own.code)] if own.query is not None else []
    wanted += [(entries[c.refers_to], c.name) for c in parsed.sheet.columns if c.refers_to]
    for entry, column in wanted:
        codes = {str(row.values[column]) for row in parsed.rows if column in row.values}
        run.fetch(entry.sheet.name, entry.query(), entry.code, codes)
