"""One import as it runs: what is known by code, what was refused, what was counted."""

from collections.abc import Callable, Hashable, Iterable
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from operator import attrgetter
from typing import NamedTuple

from django.db import models

from fleet.models import AuditArea, AuditEntry, Branch, Person
from fleet.workbook.columns import Column, Sheet
from fleet.workbook.parse import ParsedSheet, Row, shown
from shared.errors import RowProblem
from shared.messages import message
from shared.roles import Permission

BATCH = 500
"""Rows per statement, and codes per query: SQLite takes about a thousand."""
CORRECT_FIRST = message("Correct that row first.")


class Problem(NamedTuple):
    """What is wrong with a row: the column, and what cures it."""

    column: str
    message: str
    remedy: str


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
    """What the writing of all sheets shares."""

    now: datetime
    zone_name: str
    """Zone of moments that belong to no site."""
    declared: dict[str, Sheet]
    """Every sheet there may be, by name, in the order they are written."""
    by: Person | None = None
    """Who brings it in; None: whoever may be at the server's shell."""
    problems: list[RowProblem] = field(default_factory=list)
    counts: dict[str, SheetCounts] = field(default_factory=dict)
    known: dict[str, dict[str, models.Model]] = field(default_factory=dict)
    """Sheet → code → row of the table, from the file or the database."""
    refused: dict[tuple[str, ...], Row] = field(default_factory=dict)
    """Sheet and the codes that name a row → the file's row that was refused."""
    sheets: dict[str, ParsedSheet] = field(default_factory=dict)
    """Every sheet of the file, for steps that look at another one."""
    advance: Callable[[int], None] = field(default=lambda rows: None, repr=False)
    """Told how many more rows are through; what it raises ends the import."""

    trail: list[AuditEntry] = field(default_factory=list, repr=False)
    """Entries of the audit trail, written with the import."""

    def may(self, permission: Permission) -> bool:
        """Say whether who brings it in may do a thing."""
        return self.by is None or self.by.may(permission)

    @property
    def branch_id(self) -> int | None:
        """The only branch whose rows may be named and corrected; None: all."""
        return self.by.branch_id if self.by else None

    def note(self, what: str, area: AuditArea, about: object, detail: str) -> None:
        """Keep an entry of the audit trail, written if the import is."""
        self.trail.append(
            AuditEntry(at=self.now, by=self.by, area=area, what=what, about=str(about)[:200], detail=detail)
        )

    @cached_property
    def only_branch(self) -> Branch | None:
        """The own branch, or the one there is. Asked when the sheet of branches is written."""
        if self.branch_id is not None:
            return self.by.branch
        branches = list(Branch.objects.all()[:2])
        return branches[0] if len(branches) == 1 else None

    def refuse(self, row: Row, column: str, message: str, remedy: str) -> None:
        """Refuse a row, with its reason."""
        row.is_refused = True
        value = shown(row.get(column, ""))
        self.problems.append(RowProblem(row.sheet, row.number, column, value, message, remedy))

    def fetch(self, sheet: Sheet, codes: Iterable[str]) -> dict[str, models.Model]:
        """Make rows of the database known by code; return all that are known."""
        known = self.known.setdefault(sheet.name, {})
        known |= rows_by_key(sheet, {code for code in codes if code not in known}, self.branch_id)
        return known

    def find(self, row: Row, column: Column) -> models.Model | None:
        """Return the row that a cell names; None for a blank cell, or refused with the reason."""
        code, sheet = row.get(column.name), column.refers_to
        if code is None:
            return None
        found = self.known.get(sheet, {}).get(str(code))
        if found is None:
            self.refuse(row, column.name, *self.depends_on(sheet, str(code)) or self._no_such(sheet, code))
        return found

    def depends_on(self, *names: str) -> tuple[str, str] | None:
        """Return the problem with what names a refused row: its sheet and codes."""
        at = self.refused.get(names)
        if at is None:
            return None
        text = message(
            "Depends on {sheet} row {number}, which was refused.", sheet=names[0], number=at.number
        )
        return text, CORRECT_FIRST

    def _no_such(self, sheet: str, code: object) -> tuple[str, str]:
        thing = self.declared[sheet].thing
        return (
            message("There is no {thing} {code!r}, in this file or in the database.", thing=thing, code=code),
            message("Correct the code, or add the {thing} to the sheet {sheet}.", thing=thing, sheet=sheet),
        )

    def remember(self, parsed: ParsedSheet) -> None:
        """Note the names of refused rows, so that what depends on them can say so."""
        sheet = parsed.sheet
        for row in parsed.rows:
            names = tuple(_raw_code(parsed, row, name) for name in sheet.named_by)
            is_known = len(names) == 1 and (not names[0] or names[0] in self.known.get(sheet.name, {}))
            if row.is_refused and names and not is_known:
                self.refused[sheet.name, *names] = row


def chunks(items: list) -> Iterable[list]:
    """Cut a list into pieces that one query can name."""
    for start in range(0, len(items), BATCH):
        yield items[start : start + BATCH]


def _raw_code(parsed: ParsedSheet, row: Row, name: str) -> str:
    """Return a code of a row, also of one that could not be read, as far as it can be seen."""
    if row.get(name) is not None:
        return str(row.values[name])
    for index, header in enumerate(parsed.headers):
        if header.lower() == name and index < len(row.raw.cells) and row.raw.cells[index] is not None:
            return str(row.raw.cells[index]).strip()
    return ""


def rows_by_key(sheet: Sheet, firsts: Iterable, branch_id: int | None = None) -> dict[Hashable, models.Model]:
    """Return the table's rows by their key, of those whose key begins with one of ``firsts``.

    Those that people of ``branch_id`` may not name are as if they weren't there.
    """
    names = [
        sheet.model._meta.get_field(n).attname if "__" not in n else n.replace("__", ".") for n in sheet.key
    ]
    key_of = attrgetter(*names)
    rows = sheet.model.objects.filter(**{"taken_back_at": None} if sheet.can_be_taken_back else {})
    if sheet.related:
        rows = rows.select_related(*sheet.related)
    if branch_id is not None and sheet.within is not None:
        rows = rows.filter(sheet.within(branch_id))
    first = f"{sheet.key[0]}__in"
    return {key_of(found): found for part in chunks(sorted(firsts)) for found in rows.filter(**{first: part})}
