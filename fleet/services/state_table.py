"""Rows of a state table as columns: an object or a parsed figure only where somebody asks for it."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

import numpy as np
import orjson
from django.db.models import Model

Row = TypeVar("Row", bound=Model)


@dataclass(frozen=True)
class StateTable(Generic[Row]):
    """Unsaved rows of one model, column by column. Every field of the model has its column.

    ``columns`` are plain values by attribute name, ``None`` where unknown; ``numbers`` are JSON.
    """

    model: type[Row]
    columns: dict[str, list[Any]]
    numbers: list[bytes]
    beside: dict[str, list[Any]] = field(default_factory=dict)
    """Columns out of ``numbers`` for those who would have to parse it; not written by themselves."""

    def __len__(self) -> int:
        return len(self.numbers)

    def row(self, i: int) -> Row:
        """Return one row as an object."""
        values = {name: column[i] for name, column in self.columns.items()}
        return self.model(**values, numbers=orjson.loads(self.numbers[i]))

    def rows(self) -> Iterable[Row]:
        """Yield every row as an object."""
        return map(self.row, range(len(self)))


def rounded(values: np.ndarray, digits: int = 4) -> np.ndarray:
    """Floats fit for JSON and people: rounded, NaN for what is not finite; JSON writes that as null."""
    return np.where(np.isfinite(values), np.round(values, digits), np.nan)


def plains(values: np.ndarray, digits: int = 4) -> list[float | None]:
    """Return the same as plain values, None for NaN."""
    return [None if value != value else value for value in rounded(values, digits).tolist()]


def rows_of(columns: dict[str, list]) -> Iterator[dict]:
    """Turn named columns into one dict per row, one at a time."""
    return (dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True))
