"""Raw sheets to rows of values, every problem with its place and remedy."""

from collections.abc import Callable
from dataclasses import dataclass, field

from fleet.workbook.cells import BadCell, is_blank, read_cell
from fleet.workbook.columns import Column, Sheet, listed, measure_named
from fleet.workbook.files import COMMENT, RawRow, RawSheet, plain_name
from shared.errors import RowProblem
from shared.measures import Measure
from shared.messages import message
from shared.roles import Permission

May = Callable[[Permission], bool]
"""Whether who brings the file in may do a thing."""
WHAT_IS_WRONG = message("what is wrong")
_SHOWN = 60
TELL_EVERY = 500
"""Rows between two words of how far it is."""


@dataclass
class Row:
    """One row: values by column name (blank cells are missing), and whether it was refused."""

    sheet: str
    number: int
    values: dict[str, object]
    raw: RawRow
    is_refused: bool = False

    def get(self, name: str, default: object = None) -> object:
        """Return a value, or the default for a blank cell."""
        return self.values.get(name, default)


@dataclass
class ParsedSheet:
    """A sheet's rows, and the problems its cells have."""

    sheet: Sheet
    headers: list[str]
    header_row: int = 1
    rows: list[Row] = field(default_factory=list)
    problems: list[RowProblem] = field(default_factory=list)
    may: "May" = lambda permission: True

    def refuse(self, row: "Row", column: str, raw: object, message: str, remedy: str) -> None:
        """Refuse a row for one of its cells."""
        row.is_refused = True
        self.problems.append(RowProblem(row.sheet, row.number, column, shown(raw), message, remedy))

    def refuse_header(self, header: str, message: str, remedy: str) -> None:
        """Refuse the sheet for one of its headers."""
        text = shown(header)
        self.problems.append(RowProblem(self.sheet.name, self.header_row, text, text, message, remedy))

    @property
    def good_rows(self) -> list[Row]:
        """Rows that nothing speaks against so far."""
        return [row for row in self.rows if not row.is_refused]


@dataclass(frozen=True)
class _Place:
    """Where a column stands in the rows, and the measure its header names."""

    index: int
    column: Column
    measure: Measure | None


def shown(raw: object) -> str:
    """Return a cell's value for a message, cut to a readable length."""
    if isinstance(raw, float) and raw.is_integer() and abs(raw) < 1e15:
        raw = int(raw)
    text = "" if raw is None else str(raw)
    text = text.encode("utf-8", "replace").decode("utf-8").replace("\x00", "\\0")
    return text if len(text) <= _SHOWN else text[: _SHOWN - 1] + "…"


def parse_sheet(
    sheet: Sheet,
    raw: RawSheet,
    advance: Callable[[int], None] | None = None,
    may: May = lambda permission: True,
) -> ParsedSheet:
    """Return a sheet's rows with their values. A bad header, or a role that may not, refuses every row of it.

    ``advance`` is told every so many rows how many more are done.
    """
    parsed = ParsedSheet(sheet, raw.headers, raw.header_row, may=may)
    if may(sheet.needs):
        places = _places(parsed, raw.headers)
    else:
        places = None
        text = message("Your role may not {value}.", value=message(sheet.needs.value))
        remedy = message("Leave this sheet out, or have somebody bring it in who may.")
        parsed.problems.append(RowProblem(sheet.name, raw.header_row, "", sheet.name, text, remedy))
    for done, raw_row in enumerate(raw.rows):
        if advance is not None and done % TELL_EVERY == 0:
            advance(TELL_EVERY if done else 0)
        row = Row(sheet.name, raw_row.number, {}, raw_row, is_refused=places is None)
        parsed.rows.append(row)
        if places is not None:
            unread = {place.column.name for place in places if not _read(parsed, row, place)}
            _check_required(parsed, row, unread)
            _check_strays(parsed, row)
    return parsed


def _places(parsed: ParsedSheet, headers: list[str]) -> list[_Place] | None:
    """Match headers with columns; None when the sheet can't be read at all."""
    known = {column.name: column for column in parsed.sheet.columns}
    by_attribute = {column.attribute: column for column in parsed.sheet.columns if column.measures}
    places: list[_Place] = []
    for index, header in enumerate(headers):
        if not header or header.startswith(COMMENT) or header == WHAT_IS_WRONG:
            continue
        name, _, bracket = header.partition("[")
        column = known.get(plain_name(name))
        measure = None
        if column is None and not bracket and plain_name(name) in by_attribute:
            column = by_attribute[plain_name(name)]
            measure = column.measures[0]
        if column is None:
            parsed.refuse_header(
                header,
                message("Sheet {name} has no column of this name.", name=parsed.sheet.name),
                message("Known: {list}. Put '# ' before your own columns.", list=", ".join(known)),
            )
            continue
        if bracket:
            measure = measure_named(bracket.rstrip(" ]"))
            if measure not in column.measures:
                allowed = listed(column.measures) or "none"
                parsed.refuse_header(
                    header,
                    message("The measure in the brackets does not fit {name}.", name=column.name),
                    message("Known for this column: {allowed}.", allowed=allowed),
                )
        if any(place.column is column for place in places):
            parsed.refuse_header(
                header, message("This column is there twice."), message("Delete one of the two.")
            )
        places.append(_Place(index, column, measure))
    here = {place.column.name for place in places}
    for column in parsed.sheet.columns:
        if column.is_required and column.name not in here and headers:
            parsed.refuse_header(
                column.name,
                message("This required column is missing."),
                message("Add a column '{header}': {what}", header=column.header, what=column.what),
            )
    return None if parsed.problems else places


def _read(parsed: ParsedSheet, row: Row, place: _Place) -> bool:
    """Put one cell's value into its row; False when the cell was refused."""
    raw = row.raw.cells[place.index] if place.index < len(row.raw.cells) else None
    if is_blank(raw):
        return True
    needs = place.column.needs
    if needs is not None and not parsed.may(needs):
        text = message("Your role may not {value}.", value=message(needs.value))
        remedy = message("Leave the cell blank, or have somebody bring it in who may.")
        parsed.refuse(row, place.column.name, raw, text, remedy)
        return False
    try:
        row.values[place.column.name] = read_cell(place.column, place.measure, raw)
    except BadCell as bad:
        parsed.refuse(row, place.column.name, raw, bad.message, bad.remedy)
        return False
    return True


def _check_required(parsed: ParsedSheet, row: Row, unread: set[str]) -> None:
    for column in parsed.sheet.columns:
        if not column.is_required or column.name in row.values or column.name in unread:
            continue
        problem = message("{name} is required.", name=column.name)
        remedy = message("Fill it in: {what}", what=column.what)
        if column.refers_to == "sites" and parsed.sheet.name == "treatment_units":
            problem = message("A treatment unit needs a site.")
            remedy = message("Write the code of a site from the sheet sites.")
        parsed.refuse(row, column.name, "", problem, remedy)


def _check_strays(parsed: ParsedSheet, row: Row) -> None:
    """Refuse a row with a value under no header: nothing is dropped unsaid."""
    headers = parsed.headers
    if len(row.raw.cells) <= len(headers) and all(headers):
        return
    for index, cell in enumerate(row.raw.cells):
        if (index >= len(headers) or not headers[index]) and not is_blank(cell):
            text = message("This value stands under no header.")
            remedy = message("Name the column, or empty the cell.")
            parsed.refuse(row, message("cell {index}", index=index + 1), cell, text, remedy)
