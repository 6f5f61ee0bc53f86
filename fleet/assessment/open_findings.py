"""What is open of findings, and strength and dates of findings, as columns."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from django.db.models import BooleanField, ExpressionWrapper, Q

from fleet.assessment import finding_rules as rules
from fleet.assessment.states import to_python
from fleet.models import Finding

_DATES = ("early_on", "likely_on", "late_on")


@dataclass(frozen=True)
class FindingDates:
    """How strongly and for when something is wanted. Dates are datetime64[D], NaT where there is none."""

    strength: np.ndarray
    early_on: np.ndarray
    likely_on: np.ndarray
    late_on: np.ndarray

    def rows(self, which: np.ndarray) -> "FindingDates":
        """Return some of the rows."""
        return FindingDates(**{name: column[which] for name, column in vars(self).items()})

    def by_row(self) -> list[dict[str, Any]]:
        """Return every row as plain values by name."""
        names = vars(self)
        cells = zip(*map(to_python, names.values()), strict=True)
        return [dict(zip(names, row, strict=True)) for row in cells]


@dataclass(frozen=True)
class OpenFindings:
    """The open findings of some treatment units; their long columns are not read."""

    row_of: dict[str, int]
    """By cause."""
    id: np.ndarray
    is_ahead: np.ndarray
    """Written as of a moment to come, by a clock that ran ahead."""
    dates: FindingDates

    def rows(self, causes: list[str]) -> np.ndarray:
        """Return the row of each cause, -1 where it is not open."""
        return np.array([self.row_of.get(cause, -1) for cause in causes], dtype=np.int64)


def read_open(unit_ids: list[int], now: datetime) -> OpenFindings:
    """Return what is open for these treatment units."""
    found = Finding.objects.filter(treatment_unit__pk__any_of=unit_ids, gone_at__isnull=True)
    found = found.annotate(is_ahead=ExpressionWrapper(Q(changed_at__gt=now), BooleanField()))
    rows = list(found.values_list("cause_key", "id", "is_ahead", "strength", *_DATES))
    causes, ids, is_ahead, *asked = zip(*rows, strict=True) if rows else [()] * 7
    return OpenFindings(
        row_of={cause: row for row, cause in enumerate(causes)},
        id=np.array(ids, dtype=np.int64),
        is_ahead=np.array(is_ahead, dtype=bool),
        dates=_dates(*asked),
    )


def dates_of(candidates: list[rules.Candidate]) -> FindingDates:
    """Return strength and dates of single findings."""
    return _dates(*([getattr(one, name) for one in candidates] for name in ("strength", *_DATES)))


def _dates(strength: Any, *days: Any) -> FindingDates:
    return FindingDates(
        np.array(strength, dtype=np.float64), *(np.array(column, dtype="datetime64[D]") for column in days)
    )


def is_stronger(old: FindingDates, new: FindingDates) -> np.ndarray:
    """Say of each row whether it should be rewritten: stronger, or its dates moved by days."""
    answer = np.abs(new.strength - old.strength) >= rules.STRENGTH_MOVED
    for name in _DATES:
        before, after = getattr(old, name), getattr(new, name)
        least = rules.LATE_MOVED if name == "late_on" else rules.DAYS_MOVED
        moved = np.abs(after - before) >= np.timedelta64(least, "D")
        answer |= moved | (np.isnat(before) != np.isnat(after))
    return answer
