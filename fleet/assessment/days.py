"""From the science's float days to moments and calendar days."""

from datetime import UTC, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
SECONDS_PER_DAY = 86400
FURTHEST_DAYS = 365.25 * 30
"""Dates further away than this say nothing; they are left empty."""


def to_days(moment: datetime) -> float:
    """Return a moment as days since 1970-01-01 UTC. Raises ValueError for a naive moment."""
    if moment.tzinfo is None:
        raise ValueError("A moment needs a time zone.")
    return (moment - EPOCH) / timedelta(days=1)


def to_moment(day: float) -> datetime | None:
    """Return float days as an aware moment, whole seconds; None for NaN."""
    return None if day != day else EPOCH + timedelta(seconds=round(float(day) * 86400))


def to_moments(days: np.ndarray) -> np.ndarray:
    """Return float days as moments in UTC, datetime64[s]; NaT for what is not finite."""
    seconds = np.rint(np.nan_to_num(days, posinf=0.0, neginf=0.0) * SECONDS_PER_DAY).astype("datetime64[s]")
    return np.where(np.isfinite(days), seconds, np.datetime64("NaT"))


def to_local_days(days: np.ndarray, zone_names: list[str], now_d: float) -> np.ndarray:
    """Return each moment's calendar day at its own place, datetime64[D]; NaT for NaN and the far future."""
    is_told = days <= now_d + FURTHEST_DAYS
    names = np.array(zone_names, dtype=object)
    answers = np.full(len(days), np.datetime64("NaT", "D"))
    for name in set(zone_names):
        rows = np.flatnonzero(is_told & (names == name))
        answers[rows] = _days_at(np.rint(days[rows] * SECONDS_PER_DAY).astype(np.int64), ZoneInfo(name))
    return answers


def _days_at(seconds: np.ndarray, zone: ZoneInfo) -> np.ndarray:
    """Return calendar days of moments at one place, asking for the clock once per day, not per moment."""
    utc_days, place = np.unique(seconds // SECONDS_PER_DAY, return_inverse=True)
    begins = (utc_days * SECONDS_PER_DAY).tolist()
    first = np.array([_offset_s(zone, begin) for begin in begins], dtype=np.int64)
    last = np.array([_offset_s(zone, begin + SECONDS_PER_DAY - 1) for begin in begins], dtype=np.int64)
    offset = first[place]
    # On a day the clocks change, each moment is asked for by itself.
    for row in np.flatnonzero((first != last)[place]).tolist():
        offset[row] = _offset_s(zone, int(seconds[row]))
    return ((seconds + offset) // SECONDS_PER_DAY).astype("datetime64[D]")


@lru_cache(maxsize=100_000)
def _offset_s(zone: ZoneInfo, seconds: int) -> int:
    """Return how far a place's clock is ahead of UTC at a moment. [s]"""
    moment = (EPOCH + timedelta(seconds=seconds)).astimezone(zone)
    return round(moment.utcoffset().total_seconds())
