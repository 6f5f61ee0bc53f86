"""Technicians: coming with a van, changing, their working week from a date on.

One act each with its rule and its line in the audit trail, for pages and API alike.
"""

from collections.abc import Collection, Mapping, Sequence
from datetime import date, datetime, time
from decimal import Decimal
from typing import Any, Final

from django.db import transaction
from django.utils.text import slugify

from fleet.models import AuditArea, Branch, Person
from fleet.people import audit
from scheduling.models import Shift, Skill, StockPlace, Technician
from shared.errors import DomainError
from shared.messages import message

WEEKDAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MOST_LUNCH_MINUTES: Final = 240


def _note(what: str, who: Technician, detail: str, by: Person | None, now: datetime) -> None:
    audit.note(what, area=AuditArea.PEOPLE, about=who.name, detail=detail, by=by, now=now)


def free_code(name: str) -> str:
    """Return a code made from a name that no technician has."""
    stem = slugify(name)[:34] or "technician"
    taken = set(Technician.objects.filter(code__startswith=stem).values_list("code", flat=True))
    return next(code for code in (stem, *(f"{stem}-{n}" for n in range(2, 9999))) if code not in taken)


@transaction.atomic
def add_technician(
    branch: Branch,
    *,
    name: str,
    weekdays: Collection[int],
    starts_at: time,
    ends_at: time,
    lunch_minutes: int,
    by: Person | None,
    now: datetime,
    works_from: date | None = None,
    start_latitude: float | None = None,
    start_longitude: float | None = None,
    cost_per_hour: Decimal = Decimal(0),
    skills: Sequence[Skill] = (),
    with_van: bool = True,
    person: Person | None = None,
) -> Technician:
    """Take on a technician: from a day, with a working week and, unless said otherwise, a van.

    Without a place of their own the day begins and ends at the branch. Raises DomainError for a place nobody
    knows, a log-in that is somebody else's, and hours that can't be.
    """
    if not name.strip():
        raise DomainError(
            message("A technician needs a name."), remedy=message("Give the name people know."), field="name"
        )
    latitude = branch.latitude if start_latitude is None else start_latitude
    longitude = branch.longitude if start_longitude is None else start_longitude
    if latitude is None or longitude is None:
        raise DomainError(
            message("Where the day of {name} begins is not known.", name=name),
            remedy=message("Give latitude and longitude, or place the branch {branch} first.", branch=branch),
            field="start_latitude",
        )
    _refuse_log_in(person, branch, None)
    who = Technician.objects.create(
        code=free_code(name), name=name.strip(), branch=branch, person=person, works_from=works_from,
        start_latitude=latitude, start_longitude=longitude, cost_per_hour=cost_per_hour,
    )  # fmt: skip
    who.skills.set(skills)
    _write_pattern(who, None, weekdays, starts_at, ends_at, lunch_minutes)
    if with_van:
        StockPlace.objects.create(
            code=f"van-{who.code}"[:40], name=f"Van of {who.name}"[:120], branch=branch, technician=who
        )
    told = message("from {day:%d %b %Y}", day=works_from) if works_from else ""
    _note(message("technician taken on"), who, told, by, now)
    return who


def _refuse_log_in(person: Person | None, branch: Branch, who: Technician | None) -> None:
    if person is None:
        return
    if person.branch_id not in (None, branch.pk):
        raise DomainError(
            message("The log-in {person} belongs to another branch.", person=person.username),
            remedy=message("Choose a log-in of this branch."),
            field="person",
        )
    other = Technician.objects.filter(person=person).exclude(pk=who.pk if who else None).first()
    if other is not None:
        raise DomainError(
            message("The log-in {person} is {name}'s.", person=person.username, name=other.name),
            remedy=message("Choose another log-in, or make one."),
            field="person",
        )


@transaction.atomic
def change_technician(
    who: Technician, changed: Mapping[str, Any], *, by: Person | None, now: datetime
) -> Technician:
    """Change name, start, cost, skills or log-in; what is not named stays. The trail keeps old and new.

    A cost is kept without its figure in the trail, which planners read.
    """
    who = Technician.objects.select_for_update(of=("self",)).select_related("branch").get(pk=who.pk)
    _refuse_log_in(changed.get("person"), who.branch, who)
    told = []
    for name, value in changed.items():
        if name == "skills":
            old = sorted(skill.code for skill in who.skills.all())
            who.skills.set(value)
            new = sorted(skill.code for skill in value)
            if old != new:
                told.append(f"skills: {', '.join(old) or '–'} → {', '.join(new) or '–'}")
            continue
        old = getattr(who, name)
        if old == value:
            continue
        setattr(who, name, value)
        told.append(name if name == "cost_per_hour" else f"{name}: {old or '–'} → {value or '–'}")
    who.full_clean()
    who.save()
    if told:
        _note(message("technician changed"), who, "; ".join(told), by, now)
    return who


@transaction.atomic
def set_pattern(
    who: Technician,
    *,
    from_on: date,
    weekdays: Collection[int],
    starts_at: time,
    ends_at: time,
    lunch_minutes: int,
    today: date,
    by: Person | None,
    now: datetime,
) -> None:
    """Change the working week from a day on; the weeks before stay. The same day again replaces its pattern.

    Published routes stay as they are until they are planned anew.
    """
    list(Technician.objects.select_for_update().filter(pk=who.pk))
    if from_on < today:
        raise DomainError(
            message("{from_on:%d %b %Y} has passed.", from_on=from_on),
            remedy=message("Change the week from today or a later day on."),
            field="from_on",
        )
    if who.last_on is not None and from_on > who.last_on:
        raise DomainError(
            message("{name} leaves on {last_on:%d %b %Y}.", name=who.name, last_on=who.last_on),
            remedy=message("Choose a day before that."),
            field="from_on",
        )
    _write_pattern(who, from_on, weekdays, starts_at, ends_at, lunch_minutes)
    days = ", ".join(WEEKDAYS[day] for day in sorted(set(weekdays)))
    told = message(
        "from {day:%d %b %Y}: {days}, {hours}",
        day=from_on,
        days=days,
        hours=f"{starts_at:%H:%M}–{ends_at:%H:%M}",
    )
    _note(message("working week changed"), who, told, by, now)


def _write_pattern(
    who: Technician,
    from_on: date | None,
    weekdays: Collection[int],
    starts_at: time,
    ends_at: time,
    lunch_minutes: int,
) -> None:
    if not weekdays or not set(weekdays) <= set(range(7)):
        raise DomainError(
            message("A working week needs its days."),
            remedy=message("Choose one day or more, Monday to Sunday."),
            field="weekdays",
        )
    if ends_at <= starts_at:
        raise DomainError(
            message("A shift ends after it starts."),
            remedy=message("Correct one of the times."),
            field="ends_at",
        )
    length_min = ends_at.hour * 60 + ends_at.minute - starts_at.hour * 60 - starts_at.minute
    if not 0 <= lunch_minutes <= min(MOST_LUNCH_MINUTES, length_min - 1):
        raise DomainError(
            message("Lunch of {minutes} minutes does not fit the shift.", minutes=lunch_minutes),
            remedy=message("Give less, 0 for none."),
            field="lunch_minutes",
        )
    start = {} if from_on is None else {"from_on": from_on}
    Shift.objects.filter(technician=who, **start).delete()
    hours = {"starts_at": starts_at, "ends_at": ends_at, "lunch_minutes": lunch_minutes}
    hours = {"starts_at": starts_at, "ends_at": ends_at, "lunch_minutes": lunch_minutes}
    Shift.objects.bulk_create(
        Shift(technician=who, weekday=day, **hours, **start) for day in sorted(set(weekdays))
    )
