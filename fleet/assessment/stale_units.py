"""Which treatment units does a night have to assess, and which changes does it take in?

When does a treatment unit want a look although nothing new was recorded?
"""

from dataclasses import replace
from datetime import UTC, datetime
from typing import Final

import numpy as np
from django.db.models import Exists, OuterRef, Q

from fleet.assessment import findings as rules
from fleet.assessment.day_readings import forget_days_marked
from fleet.database.columns import UnitRange
from fleet.models import ChangeMark, TreatmentUnit
from fleet.science import columns as science
from fleet.science import found as science_found
from fleet.science.feed_water import newest_test_days

WORTH_TAKING_ALL = 0.5
"""Where more than this share of a shard is due, reading the whole of it costs no more."""


def due_units(which: UnitRange, now: datetime, learned_at: datetime | None) -> UnitRange | None:
    """Return those that want a look as of ``now``; None for none, all of them where most do.

    Wanted are: what was never assessed, what has changed since, whose day has come, what was assessed before
    the fleet last taught something, or by a clock that ran ahead.
    """
    units = TreatmentUnit.objects.filter(which.condition("id"))
    changed = ChangeMark.objects.filter(treatment_unit_id=OuterRef("pk"), effective_at__lte=now)
    day_has_come = Q(state__look_again_on__isnull=True) | Q(
        state__look_again_on__lte=now.astimezone(UTC).date()
    )
    wanted = day_has_come | Q(state__assessed_at__gt=now) | Exists(changed)
    if learned_at is not None:
        wanted |= Q(state__assessed_at__lt=learned_at)
    due = tuple(units.filter(wanted).order_by("id").values_list("id", flat=True))
    if not due:
        return None
    if len(due) > WORTH_TAKING_ALL * units.count():
        return which
    return replace(which, only_ids=due, except_ids=())


def take_in_marks(which: UnitRange, now: datetime) -> None:
    """Delete the marks that an assessment as of ``now`` sees, and what was rolled up of the days they touch.

    In its transaction, before it reads.
    """
    forget_days_marked(which, now)


LONGEST_DAYS: Final = 7
"""Figures that grow by the day are never older than this. Ours. [day]"""


def days_until_look(
    columns: science.ShardColumns, found: science_found.ShardFindings, now_d: float
) -> np.ndarray:
    """Return in how many days each treatment unit is to be assessed again, 1 to ``LONGEST_DAYS``.

    Parameters
    ----------
    columns, found : one shard and what was found
    now_d : float
        The moment of the assessment. [days since 1970-01-01 UTC]

    Returns
    -------
    array of int
        Half the way to the nearest day on which a rule may answer otherwise, for such days shift a little
        while one waits; a day is taken off for places where it begins earlier.
    """
    nearest = np.full(len(columns.units.unit_id), np.inf)
    parts, use = columns.parts, found.use
    _nearer(nearest, parts.unit_row, found.life.early_d - rules.CHANGE_AHEAD_DAYS, now_d)
    rows = np.arange(len(nearest))
    _nearer(nearest, rows, use.last_read_at_d + rules.SILENT_DAYS, now_d)
    _nearer(nearest, rows, use.last_ran_at_d + columns.units.idle_limit_days, now_d)
    _nearer(nearest, rows, newest_test_days(columns) + rules.FEED_TEST_DAYS, now_d)
    _nearer(nearest, found.faults.unit_row, found.faults.read_at_d + rules.FAULT_MEMORY_DAYS, now_d)
    nearest[found.readiness.state == science.Readiness.BEDDING] = now_d
    days = np.floor((nearest - now_d - 1) / 2)
    return np.clip(np.where(np.isfinite(days), days, LONGEST_DAYS), 1, LONGEST_DAYS).astype(np.int64)


def _nearer(nearest: np.ndarray, row: np.ndarray, at_d: np.ndarray, now_d: float) -> None:
    """Enter moments not yet past, by more than a day's grace, where they are nearer."""
    ahead = np.where(at_d >= now_d - 2, at_d, np.inf)
    np.minimum.at(nearest, row, ahead)
