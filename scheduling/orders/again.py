"""Looks at treatment units again at once after something about them became known."""

import logging
from collections.abc import Sequence
from datetime import datetime
from typing import Final

from django.db import transaction

from fleet.assessment import runs
from scheduling.orders import raising

log = logging.getLogger(__name__)
AT_ONCE: Final = 50
"""So many are assessed while somebody waits; the timetable takes the rest within a minute."""


def assess_and_raise(unit_ids: Sequence[int], now: datetime, *, anew: bool = False) -> None:
    """Assess treatment units and bring their work in line; ``anew`` after a correction."""
    runs.assess_units(sorted(unit_ids), now, anew=anew)
    raising.raise_work(now=now, unit_ids=list(unit_ids))


def look_again(unit_ids: Sequence[int], now: datetime, *, anew: bool = False) -> None:
    """The same, where a failure must not cost what was recorded: the timetable follows the stale flags."""
    if len(unit_ids) > AT_ONCE:
        return
    try:
        with transaction.atomic():
            assess_and_raise(unit_ids, now, anew=anew)
    except Exception:
        log.exception("Assessment after an entry failed; the timetable will catch up.")
