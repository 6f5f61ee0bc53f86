"""What stands of findings, and what is asked for, as columns."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from django.db import connection

from fleet.queries.column_reader import days_of_date
from fleet.queries.columns import UnitRange
from fleet.services import finding_rules as rules
from fleet.services.state_table import plains

_DATES = ("early_on", "likely_on", "late_on")


@dataclass(frozen=True)
class Asked:
    """How strongly and for when something is asked for. Dates are datetime64[D], NaT where there is none."""

    strength: np.ndarray
    early_on: np.ndarray
    likely_on: np.ndarray
    late_on: np.ndarray

    def rows(self, which: np.ndarray) -> "Asked":
        """Return some of the rows."""
        return Asked(**{name: column[which] for name, column in vars(self).items()})

    def by_row(self) -> list[dict[str, Any]]:
        """Return every row as plain values by name."""
        names = vars(self)
        return [dict(zip(names, row, strict=True)) for row in zip(*map(plains, names.values()), strict=True)]


@dataclass(frozen=True)
class Standing:
    """The findings that stand for some treatment units; their long columns are not read."""

    row_of: dict[str, int]
    """By cause."""
    id: np.ndarray
    is_ahead: np.ndarray
    """Written as of a moment to come, by a clock that ran ahead."""
    asked: Asked

    def rows(self, causes: list[str]) -> np.ndarray:
        """Return the row of each cause, -1 where it does not stand."""
        return np.array([self.row_of.get(cause, -1) for cause in causes], dtype=np.int64)


def read_standing(unit_ids: list[int], now: datetime) -> Standing:
    """Return what stands for these treatment units."""
    dates = ", ".join(days_of_date(name) for name in _DATES)
    where = UnitRange(only_ids=tuple(unit_ids)).where("treatment_unit_id")
    with connection.cursor() as cursor:
        cursor.execute(
            f"SELECT cause_key, id, strength, changed_at > %s, {dates} FROM fleet_finding "
            f"WHERE {where} AND gone_at IS NULL",
            [connection.ops.adapt_datetimefield_value(now)],
        )
        rows = cursor.fetchall()
    causes, ids, strength, is_ahead, *days = zip(*rows, strict=True) if rows else [()] * 7
    return Standing(
        row_of={cause: row for row, cause in enumerate(causes)},
        id=np.array(ids, dtype=np.int64),
        is_ahead=np.array(is_ahead, dtype=bool),
        asked=Asked(np.array(strength, dtype=np.float64), *map(_as_days, days)),
    )


def _as_days(days: tuple[float | None, ...]) -> np.ndarray:
    values = np.array(days, dtype=np.float64)
    return np.where(
        np.isnan(values), np.datetime64("NaT"), np.nan_to_num(values).astype(np.int64).astype("datetime64[D]")
    )


def asked_of(candidates: list[rules.Candidate]) -> Asked:
    """Return what single findings ask for."""
    return Asked(
        np.array([one.strength for one in candidates], dtype=np.float64),
        *(
            np.array([getattr(one, name) for one in candidates], dtype="datetime64[D]")
            for name in _DATES
        ),
    )  # fmt: skip


def is_stronger(old: Asked, new: Asked) -> np.ndarray:
    """Say of each row whether it should be rewritten: stronger, or its dates moved by days."""
    answer = np.abs(new.strength - old.strength) >= rules.STRENGTH_MOVED
    for name in _DATES:
        before, after = getattr(old, name), getattr(new, name)
        moved = np.abs(after - before) >= np.timedelta64(rules.DAYS_MOVED, "D")
        answer |= moved | (np.isnat(before) != np.isnat(after))
    return answer
