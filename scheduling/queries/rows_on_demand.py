"""Rows that are made when somebody looks at them: a page shows fifty of a hundred thousand."""

from collections.abc import Callable, Sequence
from typing import Generic, TypeVar, overload

Row = TypeVar("Row")


class RowsOnDemand(Sequence[Row], Generic[Row]):
    """A list of known length whose rows are made one by one, from columns that are there already."""

    def __init__(self, count: int, make: Callable[[int], Row]) -> None:
        self._range, self._make = range(count), make

    def __len__(self) -> int:
        return len(self._range)

    @overload
    def __getitem__(self, place: int) -> Row: ...

    @overload
    def __getitem__(self, place: slice) -> list[Row]: ...

    def __getitem__(self, place: int | slice) -> Row | list[Row]:
        if isinstance(place, slice):
            return [self._make(i) for i in self._range[place]]
        return self._make(self._range[place])
