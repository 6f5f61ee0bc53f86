"""Who is away when, which sites are closed, and which days a branch does not work.

Each write is one act with its rule and its line in the audit trail; pages, API and workbook call the same.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from typing import Final

import holidays
from django.db import transaction
from django.db.models import Q

from fleet.models import AuditArea, Branch, Person, Site
from fleet.people import audit
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


# what people write


def _refuse_order(first_on: date, last_on: date, *, field: str = "last_on") -> None:
    if last_on < first_on:
        raise DomainError(
            message("{last_on:%d %b} is before {first_on:%d %b}.", last_on=last_on, first_on=first_on),
            remedy=message("Choose that day or later."),
            field=field,
        )
    if (last_on - first_on).days > MOST_DAYS:
        raise DomainError(
            message("{last_on:%d %b %Y} is more than two years after the first day.", last_on=last_on),
            remedy=message("Choose a nearer day; look at the year."),
            field=field,
        )


def _refuse_past(day: date, today: date, *, field: str = "first_on") -> None:
    if day < today:
        raise DomainError(
            message("{first_on:%d %b %Y} has passed.", first_on=day),
            remedy=message("Begin today or later."),
            field=field,
        )


@transaction.atomic
def add_absence(
    technician: Technician,
    *,
    first_on: date | None,
    last_on: date | None,
    today: date,
    by: Person | None,
    now: datetime,
    starts_at: time | None = None,
    ends_at: time | None = None,
    repeats_until: date | None = None,
    reason: str = "",
) -> Absence:
    """Write when a technician is away: whole days or the same hours of each, once or every week.

    Raises DomainError for days or hours that can't be, and for what is written down already. Published routes
    stay as they are until they are planned anew.
    """
    if first_on is None or last_on is None:
        raise DomainError(
            message("An absence needs its days."),
            remedy=message("Give the first and the last."),
            field="first_on",
        )
    list(Technician.objects.select_for_update().filter(pk=technician.pk))
    _refuse_past(first_on, today)
    _refuse_order(first_on, last_on)
    if (starts_at is None) != (ends_at is None):
        raise DomainError(
            message("An absence of hours needs both times."),
            remedy=message("Give from and to, or neither for whole days."),
            field="ends_at" if ends_at is None else "starts_at",
        )
    if starts_at is not None and ends_at is not None and ends_at <= starts_at:
        raise DomainError(
            message("{ends} is not after {starts}.", ends=_clock(ends_at), starts=_clock(starts_at)),
            remedy=message("Give a later time; what goes past midnight is two absences."),
            field="ends_at",
        )
    if repeats_until is not None:
        _refuse_order(last_on, repeats_until, field="repeats_until")
        if last_on - first_on >= WEEK:
            raise DomainError(
                message("What is repeated every week lasts less than a week."),
                remedy=message("Choose a last day within seven days of the first, or don't repeat it."),
                field="repeats_until",
            )
    new = Absence(
        technician=technician, first_on=first_on, last_on=last_on, starts_at=starts_at, ends_at=ends_at,
        repeats_until=repeats_until, reason=reason.strip()[:80],
    )  # fmt: skip
    days = [first_on + timedelta(days=i) for i in range(((repeats_until or last_on) - first_on).days + 1)]
    wanted = {day: stretch for day in days if (stretch := hours_away(new, day)) is not None}
    known = time_off([technician.pk], days)
    if all(
        any(start <= stretch[0] and stretch[1] <= end for start, end in known.get((technician.pk, day), ()))
        for day, stretch in wanted.items()
    ):
        raise DomainError(
            message("{name} is down as absent for these days already.", name=technician.name),
            remedy=message("Leave the technician empty to re-plan with the known absences."),
            field="technician",
        )
    new.save()
    # Why somebody is away is nobody's business in the trail.
    _note(message("absence written"), technician.name, told_absence(new), by, now)
    return new


def _clock(at: time) -> str:
    return f"{at:%H:%M}"


def hours_text(absence: Absence) -> str:
    """Return the hours of an absence, e.g. 10:00–12:00; empty for whole days."""
    if absence.starts_at is None or absence.ends_at is None:
        return ""
    return f"{absence.starts_at:%H:%M}–{absence.ends_at:%H:%M}"


def told_absence(absence: Absence) -> str:
    """Return when somebody is away, in words."""
    first, last = absence.first_on, absence.last_on
    told = message("{first:%d %b %Y}", first=first)
    if last != first:
        told = message("{first:%d %b %Y} to {last:%d %b %Y}", first=first, last=last)
    if absence.starts_at is not None:
        told = message("{told}, {hours}", told=told, hours=hours_text(absence))
    if absence.repeats_until is not None:
        told = message("{told}, every week until {until:%d %b %Y}", told=told, until=absence.repeats_until)
    return told


@transaction.atomic
def end_absence(absence: Absence, *, today: date, by: Person | None, now: datetime) -> None:
    """Take back what of an absence lies ahead: all of one not begun, else from today on. Days gone stay."""
    absence = Absence.objects.select_for_update(of=("self",)).select_related("technician").get(pk=absence.pk)
    told = told_absence(absence)
    if absence.first_on >= today:
        absence.delete()
    elif (absence.repeats_until or absence.last_on) < today:
        raise DomainError(
            message("That absence is over."), remedy=message("What has been stays written down.")
        )
    else:
        yesterday = today - timedelta(days=1)
        absence.last_on = min(absence.last_on, yesterday)
        if absence.repeats_until is not None:
            absence.repeats_until = yesterday
        absence.save(update_fields=["last_on", "repeats_until"])
    _note(message("absence taken back"), absence.technician.name, told, by, now)


@transaction.atomic
def close_site(
    site: Site,
    *,
    first_on: date,
    last_on: date,
    today: date,
    by: Person | None,
    now: datetime,
    reason: str = "",
) -> SiteClosure:
    """Write down that nobody is let in at a site, first day to last. Raises DomainError for wrong days."""
    list(Site.objects.select_for_update().filter(pk=site.pk))
    _refuse_past(last_on, today, field="last_on")
    _refuse_order(first_on, last_on)
    known = SiteClosure.objects.filter(site=site, first_on__lte=last_on, last_on__gte=first_on).first()
    if known is not None:
        raise DomainError(
            message(
                "{name} is closed from {first_on:%d %b %Y} to {last_on:%d %b %Y} already.",
                name=site.name, first_on=known.first_on, last_on=known.last_on,
            ),
            remedy=message("Take that closure back first, or choose days beside it."),
            field="first_on",
        )  # fmt: skip
    row = SiteClosure.objects.create(
        site=site, first_on=first_on, last_on=last_on, reason=reason.strip()[:80]
    )
    _note(message("closure written"), site.code, told_closure(row), by, now)
    return row


def told_closure(row: SiteClosure) -> str:
    """Return when a site is closed, in words."""
    return message("{first:%d %b %Y} to {last:%d %b %Y}", first=row.first_on, last=row.last_on)


@transaction.atomic
def reopen_site(closure: SiteClosure, *, by: Person | None, now: datetime) -> None:
    """Take a closure back."""
    _note(message("closure taken back"), closure.site.code, told_closure(closure), by, now)
    closure.delete()


@transaction.atomic
def set_region(
    branch: Branch | None, *, country: str, subdivision: str, by: Person | None, now: datetime
) -> HolidayRegion:
    """Say whose public holidays the company, or one branch, keeps; an empty country: none.

    Codes are those of ISO 3166-1 and ISO 3166-2. Raises DomainError for a region nobody knows.
    """
    country, subdivision = (
        country.strip().upper(),
        subdivision.strip().upper().removeprefix(f"{country}-".upper()),
    )
    known = holidays.list_supported_countries()
    if country and country not in known:
        raise DomainError(
            message("The holidays of {country} are not known here.", country=country),
            remedy=message("Give the two letters of a country, such as US or MX."),
            field="country",
        )
    if subdivision and subdivision not in known.get(country, ()):
        raise DomainError(
            message("{country} has no part {subdivision}.", country=country or "–", subdivision=subdivision),
            remedy=message(
                "Give its code without the country, one of: {list}.",
                list=", ".join(known.get(country, ())) or "–",
            ),
            field="subdivision",
        )
    row, _ = HolidayRegion.objects.update_or_create(
        branch=branch, defaults={"country": country, "subdivision": subdivision}
    )
    _note(message("holiday region set"), branch or message("company"), str(row) or "–", by, now)
    return row


@transaction.atomic
def set_day(
    branch: Branch, day: date, *, is_worked: bool | None, reason: str, by: Person | None, now: datetime
) -> None:
    """Have a branch work on a holiday, or not work on another day; None: as the calendar has it."""
    CalendarDay.objects.filter(branch=branch, day=day).delete()
    if is_worked is not None:
        CalendarDay.objects.create(branch=branch, day=day, is_worked=is_worked, reason=reason.strip()[:80])
    what = {
        True: message("day worked"), False: message("day not worked"), None: message("day as in the calendar")
    }[is_worked]  # fmt: skip
    _note(what, branch.code, message("{day:%d %b %Y}", day=day), by, now)


def _note(what: str, about: object, detail: str, by: Person | None, now: datetime) -> None:
    audit.note(what, area=AuditArea.PLANS, about=about, detail=detail, by=by, now=now)
