"""Two things can't be in one place at one time: parts in a position, meters on a water."""

from collections.abc import Hashable, Iterable
from dataclasses import dataclass
from datetime import datetime

from fleet.workbook.parse import Row
from fleet.workbook.run import ImportRun


@dataclass(frozen=True)
class Stay:
    """A thing's time in a place. ``row`` is None for what stands in the database only."""

    place: Hashable
    begins: datetime
    ends: datetime | None
    name: str
    row: Row | None = None


def refuse_overlaps(run: ImportRun, stays: Iterable[Stay], what: str, where: str, column: str) -> None:
    """
    Refuse rows whose time in a place overlaps another's.

    Parameters
    ----------
    what : str
        What is placed, in the plural, for the message.
    where : str
        What the place is called.
    column : str
        The column that problems are reported at.
    """
    before: dict[Hashable, Stay] = {}
    for stay in sorted(stays, key=lambda s: (s.begins, s.row is not None, s.row.number if s.row else 0)):
        other = before.get(stay.place)
        if other is not None and (other.ends is None or other.ends > stay.begins):
            late, early = (stay, other) if stay.row is not None else (other, stay)
            if late.row is not None and not late.row.is_refused:
                _refuse(run, late, early, what, where, column)
            if stay.row is not None:
                continue
        before[stay.place] = stay


def _refuse(run: ImportRun, stay: Stay, other: Stay, what: str, where: str, column: str) -> None:
    until = f"to {other.ends:%Y-%m-%d}" if other.ends else "and was not taken out"
    source = f"row {other.row.number}" if other.row else "in the database"
    run.refuse(
        stay.row, column,
        f"Two {what} in one {where}: {other.name} is there from {other.begins:%Y-%m-%d} {until} ({source}).",
        "Give the one before its removed_at, or correct the dates.",
    )  # fmt: skip
