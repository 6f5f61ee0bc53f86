"""Rows of a state table as columns: an object or a figure by name only where somebody asks for it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Generic, TypeVar

import numpy as np
import orjson
from django.db.models import Model

from fleet.models import Layout
from fleet.services.binary_copy import Cells

Row = TypeVar("Row", bound=Model)


@dataclass(frozen=True)
class StateTable(Generic[Row]):
    """Unsaved rows of one model, column by column. Every field of the model but its figures has its column.

    ``columns`` are arrays by attribute name: floats with NaN, days and moments with NaT, whole numbers
    masked where unknown, words as text. ``records`` are the figures, packed by ``layout``; ``notes`` by row
    go with them.
    """

    model: type[Row]
    columns: dict[str, np.ndarray]
    layout: Layout
    records: np.ndarray
    notes: dict[int, dict] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.records)

    def packed(self, i: int) -> bytes:
        """Return a row's figures and note as they are kept."""
        note = self.notes.get(i)
        return self.records[i].tobytes() + (orjson.dumps(note) if note else b"")

    def packed_cells(self) -> Cells:
        """Return the same of all rows, for binary COPY."""
        records = Cells.of(self.records.view(f"V{self.layout.size}"))
        if not self.notes:
            return records
        notes = [orjson.dumps(note) if note else b"" for note in map(self.notes.get, range(len(self)))]
        return records.followed_by(Cells.of(np.array(notes)))

    def numbers(self, i: int) -> dict[str, Any]:
        """Return a row's figures by name."""
        return self.layout.unpack(self.packed(i))

    def seen(self, rows: np.ndarray) -> list["Seen"]:
        """Return some rows to read cells from; cheaper than objects."""
        cells = _Cells(self, rows)
        return [Seen(cells, i) for i in range(len(rows))]

    def rows(self) -> list[Row]:
        """Return every row as an object."""
        values = zip(*map(plains, self.columns.values()), strict=True)
        return [
            self.model(**dict(zip(self.columns, row, strict=True)), packed=self.packed(i))
            for i, row in enumerate(values)
        ]


class _Cells:
    """Some rows of a state table; a column becomes plain values when a cell of it is asked for."""

    def __init__(self, table: StateTable, rows: np.ndarray):
        self.table, self.rows = table, rows
        self.known: dict[str, list] = {}

    def column(self, name: str) -> list:
        if name not in self.known:
            self.known[name] = plains(self.table.columns[name][self.rows])
        return self.known[name]


class Seen:
    """One row of a state table: its cells and ``numbers`` by name."""

    __slots__ = ("_cells", "_i")

    def __init__(self, cells: _Cells, i: int):
        self._cells, self._i = cells, i

    def __getattr__(self, name: str) -> Any:
        if name == "numbers":
            return self._cells.table.numbers(int(self._cells.rows[self._i]))
        return self._cells.column(name)[self._i]


def plains(column: np.ndarray) -> list[Any]:
    """Return a column as plain values: None for what is unknown, moments in UTC."""
    if column.dtype.kind == "f":
        return [None if value != value else value for value in column.tolist()]
    if column.dtype == "datetime64[us]":
        return [value and value.replace(tzinfo=UTC) for value in column.tolist()]
    return column.tolist()


def rounded(values: np.ndarray, digits: int = 4) -> np.ndarray:
    """Floats fit for people: rounded, NaN for what is not finite."""
    return np.where(np.isfinite(values), np.round(values, digits), np.nan)


def words(by_code: Mapping[int, str], codes: np.ndarray) -> np.ndarray:
    """Return the word of each code."""
    return np.array([by_code.get(code, "") for code in range(max(by_code) + 1)])[codes]


def moment_for_all(moment: datetime, count: int) -> np.ndarray:
    """Return a column of one moment."""
    return np.full(count, np.datetime64(moment.astimezone(UTC).replace(tzinfo=None), "us"))
