"""Absences, closures of sites, holidays and days off as they are entered.

Each write is one act with its rule and its line in the audit trail; pages, API and workbook call the same.
"""

from datetime import date, datetime, time, timedelta

import holidays
from django.db import transaction

from fleet.models import AuditArea, Branch, Person, Site
from fleet.people import audit
from scheduling.crew.calendar import MOST_DAYS, WEEK, clock_text, hours_away, hours_text, time_off
from scheduling.models import Absence, CalendarDay, HolidayRegion, SiteClosure, Technician
from shared.errors import DomainError
from shared.messages import message

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
            message("{ends} is not after {starts}.", ends=clock_text(ends_at), starts=clock_text(starts_at)),
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
    _note(message("absence written"), technician.name, absence_text(new), by, now)
    return new


def absence_text(absence: Absence) -> str:
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
    text = absence_text(absence)
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
    _note(message("absence taken back"), absence.technician.name, text, by, now)


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
    _note(message("closure written"), site.code, closure_text(row), by, now)
    return row


def closure_text(row: SiteClosure) -> str:
    """Return when a site is closed, in words."""
    return message("{first:%d %b %Y} to {last:%d %b %Y}", first=row.first_on, last=row.last_on)


@transaction.atomic
def reopen_site(closure: SiteClosure, *, by: Person | None, now: datetime) -> None:
    """Take a closure back."""
    _note(message("closure taken back"), closure.site.code, closure_text(closure), by, now)
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
