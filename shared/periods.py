"""Half-open periods, months and a place's own today. No Django."""

import calendar
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from shared.messages import Message, message


def local_day(moment: datetime, zone_name: str) -> date:
    """Return the calendar day at a place. Raises ValueError for a naive moment."""
    if moment.tzinfo is None:
        raise ValueError("A moment needs a time zone.")
    return moment.astimezone(ZoneInfo(zone_name)).date()


def days_late(limit_on: date | None, today: date) -> int:
    """Return whole days past a limit: the one meaning of "late" on pages, papers, phone and API.

    Work has two dates. *Best by* is money: from here on waiting costs more than it saves. The *limit* is
    water: not beyond. Late is past the limit, whoever shows it; on the limit itself nothing is late yet.
    Without a limit nothing is ever late.
    """
    return max(0, (today - limit_on).days) if limit_on else 0


def local_moment(day: date, at: time, zone_name: str) -> datetime:
    """Return the aware moment of a wall-clock time at a place."""
    return datetime.combine(day, at, tzinfo=ZoneInfo(zone_name)).astimezone(UTC)


def month_start(day: date) -> date:
    """Return the first day of the month."""
    return day.replace(day=1)


def add_months(day: date, months: int) -> date:
    """Move by calendar months; a day that does not exist becomes the last of its month."""
    index = day.year * 12 + day.month - 1 + months
    year, month = divmod(index, 12)
    return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


def months_between(first: date, last: date) -> Iterator[date]:
    """Yield month starts from the month of ``first`` to the month of ``last``, both included."""
    month = month_start(first)
    while month <= last:
        yield month
        month = add_months(month, 1)


def days_from(first: date, count: int) -> list[date]:
    """Return ``count`` days in a row, beginning with ``first``."""
    return [first + timedelta(days=i) for i in range(count)]


def day_text(day: date) -> Message:
    """Return a day as sentences name it: Thu 26 Nov 2026."""
    return message("{day:day}", day=day)
