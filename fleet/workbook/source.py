"""Reads a workbook, a folder of CSV, or rows in memory into raw sheets. No cell is judged here."""

import csv
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from python_calamine import CalamineError, CalamineWorkbook

from fleet.workbook.cells import is_blank
from fleet.workbook.guard import check_size, check_xlsx
from shared.errors import CannotDo

READ_ME = "read_me"
COMMENT = "# "
"""A row or a column that begins so is the office's own remark."""
MOST_ROWS = 1_000_000


@dataclass(frozen=True)
class RawRow:
    """One row as met: its number in the file, its cells by header place."""

    number: int
    cells: list[object]


@dataclass(frozen=True)
class RawSheet:
    """One sheet as met."""

    name: str
    headers: list[str]
    rows: list[RawRow]
    header_row: int = 1


Source = Path | str | Mapping[str, Iterable[Mapping[str, object]]]


def read_source(source: Source) -> list[RawSheet]:
    """Return the raw sheets of a workbook (.xlsx), a folder with one CSV per sheet, or rows in memory.

    Raises CannotDo when nothing can be read. Sheet names lose case and spaces; a sheet named "read me" and
    rows that begin with '# ' are left out.
    """
    if isinstance(source, Mapping):
        return [_from_rows(name, rows) for name, rows in source.items()]
    path = Path(source)
    if path.is_dir():
        return _from_folder(path)
    if not path.is_file():
        raise CannotDo(f"There is no file {path}.", remedy="Check the path.")
    if path.suffix.lower() == ".csv":
        return [_from_csv(path)]
    return _from_xlsx(path)


def plain_name(text: str) -> str:
    """Return a sheet's or column's name without case and spaces."""
    return "_".join(text.strip().lower().split())


def _from_rows(name: str, rows: Iterable[Mapping[str, object]]) -> RawSheet:
    if hasattr(rows, "to_dict"):
        # In a frame NaN and NaT stand for an empty cell; elsewhere they are refused.
        rows = rows.astype(object).where(rows.notna(), None).to_dict("records")
    listed = list(rows)
    headers = list(dict.fromkeys(key for row in listed for key in row))
    raw = [RawRow(number, [row.get(key) for key in headers]) for number, row in enumerate(listed, start=2)]
    return RawSheet(plain_name(name), [str(header) for header in headers], raw)


def _from_xlsx(path: Path) -> list[RawSheet]:
    check_xlsx(path)
    try:
        with CalamineWorkbook.from_path(path) as workbook:
            return [
                _from_table(plain_name(name), workbook.get_sheet_by_name(name).to_python(False))
                for name in workbook.sheet_names
                if plain_name(name) != READ_ME
            ]
    except BaseException as error:
        # A defect inside the reader arrives as a PanicException, which is no Exception.
        if isinstance(error, CalamineError) or type(error).__name__ == "PanicException":
            raise CannotDo(
                f"{path.name} can't be read as a workbook.",
                remedy="Save it as Excel workbook (.xlsx), without a password.",
            ) from error
        raise


def _from_folder(folder: Path) -> list[RawSheet]:
    files = sorted(folder.glob("*.csv")) + sorted(folder.glob("*.CSV"))
    if not files:
        raise CannotDo(f"No .csv file is in {folder}.", remedy="Put one CSV per sheet there, e.g. sites.csv.")
    return [_from_csv(path) for path in files if plain_name(path.stem) != READ_ME]


def _from_csv(path: Path) -> RawSheet:
    check_size(path)
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            first = file.readline()
            file.seek(0)
            separator = ";" if ";" in first and "," not in first else ","
            table: list[list[object]] = [
                list(row) for row in csv.reader(file, delimiter=separator, strict=True)
            ]
    except UnicodeDecodeError as error:
        raise CannotDo(
            f"{path.name} is not UTF-8: byte {error.start} is no character.", remedy="Save it as CSV UTF-8."
        ) from error
    except csv.Error as error:
        raise CannotDo(f"{path.name} is no CSV: {error}.", remedy="Save it as CSV UTF-8.") from error
    return _from_table(plain_name(path.stem), table)


def _from_table(name: str, table: list[list[object]]) -> RawSheet:
    if len(table) > MOST_ROWS:
        raise CannotDo(
            f"Sheet {name} has {len(table):,} rows; {MOST_ROWS:,} can be read at once.",
            remedy="Split it into several files.",
        )
    numbered = [(number, row) for number, row in enumerate(table, start=1) if not all(map(is_blank, row))]
    numbered = [(number, row) for number, row in numbered if not _is_comment(row)]
    if not numbered:
        return RawSheet(name, [], [])
    headers = [_header(cell) for cell in numbered[0][1]]
    while headers and not headers[-1]:
        headers.pop()
    rows = [RawRow(number, row) for number, row in numbered[1:]]
    return RawSheet(name, headers, rows, numbered[0][0])


def _is_comment(row: list[object]) -> bool:
    first = next((cell for cell in row if not is_blank(cell)), "")
    return isinstance(first, str) and first.lstrip().startswith(COMMENT)


def _header(cell: object) -> str:
    return "" if cell is None else str(cell).strip()
