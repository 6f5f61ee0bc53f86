"""What a company's own file holds, what it is likely to mean, and the template made from it."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any

from django.db.models import Q
from openpyxl import Workbook

from fleet.models import Customer, PartKind, Person, Position, Site, TreatmentUnit
from fleet.register.units import SETTLED_AFTER
from fleet.workbook.columns import Sheet
from fleet.workbook.files import read_cells
from scheduling.models import SpreadsheetMapping
from scheduling.workbook.mapping.conversion import Choices, Conversion, Doubt, Known, convert_tables
from scheduling.workbook.mapping.lives import FROM
from scheduling.workbook.mapping.tables import Table, find_tables
from scheduling.workbook.mapping.targets import PART, guess
from scheduling.workbook.mapping.values import DateOrder, alike, date_order_of, plain_text
from scheduling.workbook.sheets import SHEETS
from shared.errors import DomainError
from shared.messages import message

MOST_NAMES = 60
"""Free-text part names that are offered for matching, the most frequent first."""


@dataclass(frozen=True)
class PartName:
    """A part as the file names it, and in how many rows."""

    name: str
    key: str
    count: int


def tables_of(path: Path) -> list[Table]:
    """Return the tables of a company's own file. Raises DomainError where none is found."""
    tables = find_tables(read_cells(path))
    if not tables:
        raise DomainError(
            message("No table with a header and rows was found in {name}.", name=path.name),
            remedy=message("Put the names of the columns above the rows, each in a cell of its own."),
        )
    return tables


def kept_mapping(tables: Sequence[Table]) -> SpreadsheetMapping | None:
    """Return the newest kept mapping of a file with the same headers; None where there is none."""
    headers = {table.name: table.headers for table in tables}
    like = (kept for kept in SpreadsheetMapping.objects.all() if _fits(kept.headers, headers))
    return next(like, None)


def _fits(kept: dict[str, list[str]], headers: dict[str, list[str]]) -> bool:
    """The same headers under the same or other sheet names: next year's sheet is called otherwise."""
    return sorted(map(tuple, kept.values())) == sorted(map(tuple, headers.values()))


def first_choices(tables: Sequence[Table], kept: SpreadsheetMapping | None, *, today: date) -> Choices:
    """Return what is likely meant: what was said of a file like it, or what its words and values say."""
    if kept is not None:
        choices = choices_from(kept.choices)
        by_headers = {
            tuple(headers): kept.choices["columns"].get(name, []) for name, headers in kept.headers.items()
        }
        columns = {table.name: by_headers[tuple(table.headers)] for table in tables}
        return Choices(**{**choices.__dict__, "columns": columns})
    columns = {table.name: guess(table) for table in tables}
    orders = [date_order_of(table.column(index)) for table in tables for index in range(len(table.headers))]
    order = next((order for order in orders if order is not None), DateOrder.MONTH_FIRST)
    return Choices(columns, date_order=order, go_live_on=today - SETTLED_AFTER)


def part_names(tables: Sequence[Table], choices: Choices) -> list[PartName]:
    """Return the parts the file names, by its columns and in its cells, the most frequent first."""
    counts: dict[str, tuple[str, int]] = {}
    for table in tables:
        for index, target in enumerate(choices.columns.get(table.name, ())):
            if target.startswith(PART):
                role = target.removeprefix(PART).partition(".")[0]
                names = [(role, len(table.column(index, most=10**6)))]
            elif target == "parts.kind":
                names = [(plain_text(cell), 1) for cell in table.column(index, most=10**6)]
            else:
                continue
            for name, count in names:
                first, before = counts.get(alike(name), (name, 0))
                counts[alike(name)] = (first, before + count)
    found = [PartName(name, key, count) for key, (name, count) in counts.items()]
    return sorted(found, key=lambda part: (-part.count, part.name))[:MOST_NAMES]


def choices_as_json(choices: Choices) -> dict[str, Any]:
    """Return choices as they are kept."""
    return {**asdict(choices), "go_live_on": choices.go_live_on and choices.go_live_on.isoformat()}


def choices_from(kept: dict[str, Any]) -> Choices:
    """Return kept choices."""
    day = kept.get("go_live_on")
    order = DateOrder(kept["date_order"])
    return Choices(**{**kept, "go_live_on": day and date.fromisoformat(day), "date_order": order})


def convert_file(path: Path, converted: Path, kept: dict[str, Any], *, by: Person) -> list[Doubt]:
    """Write the template that a company's own file comes to; return what should be looked at."""
    choices = choices_from(kept)
    result = convert_tables(tables_of(path), choices, known_to(by), SHEETS)
    if not result.sheets:
        raise DomainError(
            message("No row came of this file with these columns."),
            remedy=message(
                "Say at least which columns hold the customer's name and the unit's serial number."
            ),
        )
    _write(converted, result)
    return result.doubts


def known_to(person: Person) -> Known:
    """Return what rows of a file may refer to: of the person's branch, where the person has one."""
    mine = Q() if person.branch_id is None else Q(branch=person.branch_id)
    sites = list(
        Site.objects.filter(mine).values_list("customer__code", "customer__name", "code", "name", "address")
    )
    units = Q() if person.branch_id is None else Q(site__branch=person.branch_id)
    places = Q() if person.branch_id is None else Q(treatment_unit__site__branch=person.branch_id)
    in_place = Position.objects.filter(places, parts__removed_at__isnull=True, parts__isnull=False)
    designed = ("serial", "design_use_gal_per_day", "design_permeate_gpm")
    rows = TreatmentUnit.objects.filter(units).values_list(*designed)
    designs = {serial: (use, permeate) for serial, use, permeate in rows}
    return Known(
        customers={alike(name): code for code, name, *_ in sites},
        sites={
            (customer, alike(named)): code
            for customer, _, code, name, address in sites
            for named in (name, code, name + address)
        },
        units={alike(serial): serial for serial in designs},
        designs=designs,
        positions={
            (serial, role): code
            for serial, role, code in in_place.values_list(
                "treatment_unit__serial", "parts__kind__role", "code"
            )
        },
        kinds=dict(PartKind.objects.values_list("code", "role")),
        taken=frozenset(Customer.objects.values_list("code", flat=True))
        | frozenset(Site.objects.values_list("code", flat=True)),
    )


def _write(path: Path, result: Conversion) -> None:
    book = Workbook(write_only=True)
    for sheet, rows in result.write_order(SHEETS):
        page = book.create_sheet(sheet.name)
        names = [name for name in _names(sheet) if any(name in row for row in rows)]
        headers = {column.name: column.header for column in sheet.columns}
        # A register counts in its meter's measure, which its header must not contradict.
        page.append([*("total" if name == "total" else headers[name] for name in names), FROM])
        for row in rows:
            page.append([row.get(name) for name in (*names, FROM)])
    book.save(path)


def _names(sheet: Sheet) -> list[str]:
    return [column.name for column in sheet.columns]
