"""Who is away when, which sites are closed, and which days a branch does not work."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, time, timedelta
from functools import lru_cache
from typing import Final

import holidays
from django.db.models import Q

from fleet.models import Branch, Site
from scheduling.models import Absence, CalendarDay, HolidayRegion, Shift, SiteClosure, Technician
from shared.errors import DomainError
from shared.messages import message

DAY_S: Final = 86_400
WEEK: Final = timedelta(days=7)
MOST_DAYS: Final = 731
"""No absence, repetition or closure runs longer than two years: later ones are typing errors. *Ours.*"""
Stretch = tuple[int, int]
"""From and to, seconds of the local day."""


def second_of(at: time) -> int:
    """Return the seconds since midnight."""
    return at.hour * 3600 + at.minute * 60 + at.second


def hours_away(absence: Absence, day: date) -> Stretch | None:
    """Return the part of a day an absence takes; None when it leaves the day alone."""
    last = absence.repeats_until or absence.last_on
    if not absence.first_on <= day <= last:
        return None
    within = (day - absence.first_on) % WEEK if absence.repeats_until else day - absence.first_on
    if within > absence.last_on - absence.first_on:
        return None
    if absence.starts_at is None or absence.ends_at is None:
        return 0, DAY_S
    return second_of(absence.starts_at), second_of(absence.ends_at)


def joined(stretches: Iterable[Stretch]) -> tuple[Stretch, ...]:
    """Return stretches in order, those that touch made one."""
    found: list[Stretch] = []
    for start, end in sorted(stretches):
        if found and start <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], end))
        elif start < end:
            found.append((start, end))
    return tuple(found)


def time_off(
    technician_ids: Collection[int], days: Sequence[date]
) -> dict[tuple[int, date], tuple[Stretch, ...]]:
    """Return when technicians are away on some days, by (technician, day). One query."""
    rows = Absence.objects.filter(technician__in=technician_ids, first_on__lte=max(days)).filter(
        Q(last_on__gte=min(days)) | Q(repeats_until__gte=min(days))
    )
    away: dict[tuple[int, date], list[Stretch]] = defaultdict(list)
    for row in rows:
        for day in days:
            if (stretch := hours_away(row, day)) is not None:
                away[row.technician_id, day].append(stretch)
    return {key: joined(stretches) for key, stretches in away.items()}


def days_away(technician_ids: Collection[int], days: Sequence[date]) -> set[tuple[int, date]]:
    """Return the technician-days on which somebody is away all day."""
    return {key for key, away in time_off(technician_ids, days).items() if away == ((0, DAY_S),)}


def pattern_on(shifts: Iterable[Shift], day: date) -> dict[int, Shift]:
    """Return the shifts of one technician that hold on a day, by weekday."""
    begun = [row for row in shifts if row.from_on <= day]
    newest = max((row.from_on for row in begun), default=None)
    return {row.weekday: row for row in begun if row.from_on == newest}


def is_employed(technician: Technician, day: date) -> bool:
    """Say whether a day lies between a technician's first and last."""
    return (technician.works_from is None or technician.works_from <= day) and (
        technician.last_on is None or day <= technician.last_on
    )


@dataclass(frozen=True)
class WorkingHours:
    """One technician-day that can be worked. [s of local day]"""

    start_s: int
    end_s: int
    lunch_s: int
    off: tuple[Stretch, ...] = ()
    """Away within these hours."""

    @property
    def work_s(self) -> int:
        """Hours less lunch and time off."""
        return self.end_s - self.start_s - self.lunch_s - sum(end - start for start, end in self.off)


def working_hours(
    technicians: Sequence[Technician], days: Sequence[date], free_days: Collection[tuple[int, date]]
) -> dict[tuple[int, date], WorkingHours]:
    """Return who works when: patterns less absences and days nobody works. Two queries.

    ``free_days``: (branch, day) on which nobody works, as ``days_off`` has them. Time off at either end of a
    shift shortens it; what lies inside stays in ``off``.
    """
    ids = [technician.pk for technician in technicians]
    rows: dict[int, list[Shift]] = defaultdict(list)
    for row in Shift.objects.filter(technician__in=ids):
        rows[row.technician_id].append(row)
    away = time_off(ids, days) if days else {}
    found = {}
    for technician in technicians:
        for day in days:
            row = pattern_on(rows[technician.pk], day).get(day.weekday())
            if row is None or (technician.branch_id, day) in free_days or not is_employed(technician, day):
                continue
            start_s, end_s = second_of(row.starts_at), second_of(row.ends_at)
            inside = []
            for begins, ends in away.get((technician.pk, day), ()):
                if begins <= start_s < ends:
                    start_s = ends
                elif begins < end_s <= ends:
                    end_s = begins
                elif start_s < begins and ends < end_s:
                    inside.append((begins, ends))
            hours = WorkingHours(start_s, end_s, row.lunch_minutes * 60, tuple(inside))
            if start_s < end_s and hours.work_s > 0:
                found[technician.pk, day] = hours
    return found


# days a branch does not work


@lru_cache(maxsize=256)
def _public(country: str, subdivision: str, year: int) -> dict[date, str]:
    return dict(holidays.country_holidays(country, subdiv=subdivision or None, years=year))


def days_off(branch: Branch, days: Sequence[date]) -> dict[date, str]:
    """Return the days a branch does not work, each with its name. Two queries."""
    return _days_off([branch.pk], days)[branch.pk]


def free_days_of(branches: Iterable[Branch], days: Sequence[date]) -> set[tuple[int, date]]:
    """Return (branch, day) on which nobody of the branch works. Two queries."""
    off = _days_off({branch.pk for branch in branches}, days)
    return {(branch_id, day) for branch_id, names in off.items() for day in names}


def _days_off(branch_ids: Collection[int], days: Sequence[date]) -> dict[int, dict[date, str]]:
    """A branch keeps the holidays of its own region, else the company's; its calendar overrides both."""
    rows = HolidayRegion.objects.filter(Q(branch__in=branch_ids) | Q(branch=None))
    regions = {row.branch_id: row for row in rows}
    found: dict[int, dict[date, str]] = {}
    for branch_id in branch_ids:
        region = regions.get(branch_id) or regions.get(None)
        found[branch_id] = {}
        if region is not None and region.country:
            named = ((day, _public(region.country, region.subdivision, day.year).get(day)) for day in days)
            found[branch_id] = {day: name for day, name in named if name}
    for row in CalendarDay.objects.filter(branch__in=branch_ids, day__in=days):
        found[row.branch_id].pop(row.day, None)
        if not row.is_worked:
            found[row.branch_id][row.day] = row.reason
    return found


def closed_days(site_ids: Collection[int], days: Sequence[date]) -> dict[int, set[date]]:
    """Return the days of these on which sites are closed. One query."""
    found: dict[int, set[date]] = defaultdict(set)
    rows = SiteClosure.objects.filter(site_id__in=site_ids, first_on__lte=max(days), last_on__gte=min(days))
    for site_id, first_on, last_on in rows.values_list("site_id", "first_on", "last_on"):
        found[site_id].update(day for day in days if first_on <= day <= last_on)
    return found


def refuse_closed(site: Site, on: date, *, field: str) -> None:
    """Raise DomainError when a site can't be visited on a day: closed, or nobody of its branch works."""
    closure = site.closures.filter(first_on__lte=on, last_on__gte=on).first()
    if closure is not None:
        raise DomainError(
            message(
                "{name} is closed from {first_on:%d %b %Y} to {last_on:%d %b %Y}.",
                name=site.name, first_on=closure.first_on, last_on=closure.last_on,
            ),
            remedy=message("Choose a day before or after it."),
            field=field,
        )  # fmt: skip
    off = days_off(site.branch, [on])
    if on in off:
        raise DomainError(
            message(
                "{branch} does not work on {on:%d %b %Y}: {name}.",
                branch=site.branch.name,
                on=on,
                name=off[on],
            ),
            remedy=message("Choose another day, or have the branch work on this one in its calendar."),
            field=field,
        )


def clock_text(at: time) -> str:
    return f"{at:%H:%M}"


def hours_text(absence: Absence) -> str:
    """Return the hours of an absence, e.g. 10:00–12:00; empty for whole days."""
    if absence.starts_at is None or absence.ends_at is None:
        return ""
    return f"{absence.starts_at:%H:%M}–{absence.ends_at:%H:%M}"
