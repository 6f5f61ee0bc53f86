"""Finds the tables in a workbook that is not the template: titles above, sections between, totals below."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from statistics import median

from fleet.workbook.files import RawRow
from scheduling.workbook.mapping.values import is_blank_word, plain_text

HEADER_WITHIN = 30
"""Rows from the top among which the header is looked for."""
_TOTALS = ("total", "totals", "sum", "subtotal", "grand total", "suma")


@dataclass(frozen=True)
class Table:
    """One sheet as met: its header, its rows with their numbers in the file, and what was passed over."""

    name: str
    header_row: int
    headers: list[str]
    rows: list[RawRow]
    passed_over: list[tuple[int, str]] = field(default_factory=list)

    def column(self, index: int, most: int = 500) -> list[object]:
        """Return a column's filled cells, the first so many."""
        cells = (row.cells[index] for row in self.rows if index < len(row.cells))
        filled = (cell for cell in cells if not is_blank_word(cell))
        return [cell for cell, _ in zip(filled, range(most), strict=False)]


def find_tables(sheets: Mapping[str, Sequence[Sequence[object]]]) -> list[Table]:
    """Return the table of every sheet that has one. Cells are as the reader gives them."""
    return [table for name, cells in sheets.items() if (table := _find_table(name, cells)) is not None]


def _find_table(name: str, cells: Sequence[Sequence[object]]) -> Table | None:
    filled = [(number, list(row)) for number, row in enumerate(cells, start=1) if _width(row)]
    if len(filled) < 2:
        return None
    usual = median(_width(row) for _number, row in filled)
    place = next((i for i, (_, row) in enumerate(filled[:HEADER_WITHIN]) if _is_header(row, usual)), None)
    if place is None:
        return None
    header_row, header = filled[place]
    headers = [plain_text(cell) for cell in header]
    while headers and not headers[-1]:
        headers.pop()
    rows, passed_over = [], [(number, _first(row)) for number, row in filled[:place]]
    for number, row in filled[place + 1 :]:
        first = _first(row)
        is_section = _width(row) == 1 and len(headers) > 3
        if is_section or first.lower().rstrip(": ") in _TOTALS or [plain_text(c) for c in row] == headers:
            passed_over.append((number, first))
        else:
            rows.append(RawRow(number, row))
    return Table(name, header_row, headers, rows, passed_over) if rows else None


def _is_header(row: Sequence[object], usual: float) -> bool:
    texts = [cell for cell in row if isinstance(cell, str) and cell.strip()]
    others = [cell for cell in row if isinstance(cell, int | float | date | datetime | time)]
    is_wordy = all(len(text) < 60 for text in texts) and len(set(texts)) == len(texts)
    return len(texts) >= max(2, 0.6 * usual) and not others and is_wordy


def _width(row: Sequence[object]) -> int:
    return sum(cell is not None and (not isinstance(cell, str) or bool(cell.strip())) for cell in row)


def _first(row: Sequence[object]) -> str:
    return next((plain_text(cell) for cell in row if plain_text(cell)), "")
