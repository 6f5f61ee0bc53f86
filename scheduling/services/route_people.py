"""Who can drive when: technicians with vans and skills, shifts, absences, days that stay as they are."""

from collections import defaultdict
from dataclasses import replace
from datetime import date, datetime

from django.db.models import Q

from fleet.models import Branch
from scheduling.models import Absence, OrderState, Route, Shift, StockLevel, StockPlace, Technician
from scheduling.planning import problem as planning
from scheduling.planning.travel import Place
from scheduling.services.route_access import seconds_of


def kept_days(branch: Branch, plan_days: list[date], now: datetime) -> set[tuple[int, date]]:
    """Return the technician-days that stay in force: with finished stops or under way, nobody absent."""
    routes = Route.objects.filter(is_in_force=True, technician__branch=branch, day__in=plan_days)
    finished = Q(stops__orders__is_in_force=True, stops__orders__order__state=OrderState.DONE)
    rows = routes.filter(finished | Q(leaves_at__lte=now))
    absent = _absent_days(list(branch.technicians.values_list("pk", flat=True)), plan_days)
    return set(rows.values_list("technician_id", "day").distinct()) - absent


def from_now(shifts: tuple[planning.Shift, ...], here: datetime) -> tuple[planning.Shift, ...]:
    """Return the shifts that are left: today's begin at the next five minutes on the wall."""
    ready_s = -(-seconds_of(here.time()) // 300) * 300
    return tuple(
        replace(one, start_s=max(one.start_s, ready_s)) if one.day == here.date() else one
        for one in shifts
        if one.day != here.date() or ready_s < one.end_s
    )


def _absent_days(technician_ids: list[int], plan_days: list[date]) -> set[tuple[int, date]]:
    rows = Absence.objects.filter(
        technician__in=technician_ids, first_on__lte=plan_days[-1], last_on__gte=plan_days[0]
    )
    return {
        (gone.technician_id, day)
        for gone in rows
        for day in plan_days
        if gone.first_on <= day <= gone.last_on
    }


def person_of(technician: Technician, kinds: set[str]) -> planning.Technician:
    """Return the technician as the planner knows one: start, skills, van and what the shelf can fill up."""
    home = Place(
        f"start of {technician.code}", technician.start_latitude, technician.start_longitude, technician.name
    )
    van, shelf = _stock(technician)
    return planning.Technician(
        id=technician.code,
        name=technician.name,
        start=home,
        end=home,
        skills=frozenset(skill.code for skill in technician.skills.all()),
        van_stock=van or {},
        restock_kinds=frozenset(kinds if van is None and shelf is None else shelf or ()),
    )


def _stock(technician: Technician) -> tuple[dict[str, int] | None, set[str] | None]:
    """Return what the van and the branch's shelves hold; None where nobody counts."""
    van: dict[str, int] = defaultdict(int)
    shelf: set[str] = set()
    van_is_counted = shelf_is_counted = False
    places = StockPlace.objects.filter(
        Q(technician=technician) | Q(technician=None, branch=technician.branch)
    )
    levels = StockLevel.objects.filter(place__in=places)
    for holder, code, quantity in levels.values_list("place__technician_id", "kind__code", "quantity"):
        if holder == technician.pk:
            van_is_counted = True
            van[code] += quantity
        else:
            shelf_is_counted = True
            if quantity > 0:
                shelf.add(code)
    return (dict(van) if van_is_counted else None), (shelf if shelf_is_counted else None)


def shifts_of(
    technicians: list[Technician], plan_days: list[date], kept: set[tuple[int, date]]
) -> tuple[tuple[planning.Shift, ...], list[dict]]:
    """Return who works when; a technician without any shift is named with the remedy."""
    by_person: dict[int, dict[int, Shift]] = defaultdict(dict)
    for row in Shift.objects.filter(technician__in=technicians):
        by_person[row.technician_id][row.weekday] = row
    absent = _absent_days([technician.pk for technician in technicians], plan_days)
    shifts, refusals = [], []
    for technician in technicians:
        if not by_person[technician.pk]:
            refusals.append(
                {"what": f"technician {technician.name}", "message": "has no working hours.",
                 "remedy": "Enter the shifts of the week."}
            )  # fmt: skip
        for day in plan_days:
            row = by_person[technician.pk].get(day.weekday())
            here = (technician.pk, day)
            if row is None or here in absent or here in kept:
                continue
            shifts.append(
                planning.Shift(
                    technician.code, day, seconds_of(row.starts_at), seconds_of(row.ends_at),
                    lunch_s=row.lunch_minutes * 60,
                )
            )  # fmt: skip
    return tuple(shifts), refusals
