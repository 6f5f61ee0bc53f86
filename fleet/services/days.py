"""From the science's float days to moments and calendar days."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
FURTHEST_DAYS = 365.25 * 30
"""Dates further away than this say nothing; they are left empty."""


def to_days(moment: datetime) -> float:
    """Return a moment as days since 1970-01-01 UTC. Raises ValueError for a naive moment."""
    if moment.tzinfo is None:
        raise ValueError("A moment needs a time zone.")
    return (moment - EPOCH) / timedelta(days=1)


def to_moment(day: float) -> datetime | None:
    """Return float days as an aware moment, whole seconds; None for NaN."""
    return None if np.isnan(day) else EPOCH + timedelta(seconds=round(float(day) * 86400))


def to_local_dates(days: np.ndarray, zone_names: list[str], now_d: float) -> list[date | None]:
    """Return each moment's calendar day at its own place; None for NaN and for the far future."""
    zones = {name: ZoneInfo(name) for name in set(zone_names)}
    limit = now_d + FURTHEST_DAYS
    answers: list[date | None] = []
    for day, name in zip(days.tolist(), zone_names, strict=True):
        if day != day or day > limit:
            answers.append(None)
        else:
            answers.append((EPOCH + timedelta(seconds=round(day * 86400))).astimezone(zones[name]).date())
    return answers
