"""From a sheet's row to a table's values."""

from collections.abc import Sequence

from fleet.workbook.parse import ParsedSheet, Row


def table_values(
    parsed: ParsedSheet, row: Row, *, leave: Sequence[str] = (), only: Sequence[str] | None = None
) -> dict[str, object]:
    """Return a row's values by the table's column, without those to leave. Blank cells are missing."""
    values = {}
    for column in parsed.sheet.columns:
        attribute = column.attribute or column.name
        if column.name in leave or column.name not in row.values:
            continue
        if only is None or attribute in only:
            values[attribute] = row.values[column.name]
    return values
