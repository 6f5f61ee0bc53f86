"""Small invented problems for the tests of planning: places on a flat grid, minutes instead of map."""

from collections.abc import Iterable
from dataclasses import replace
from datetime import date, timedelta

import numpy as np

from scheduling.planning.problem import (
    AccessHours,
    Job,
    Link,
    Pin,
    PinLevel,
    PlanSettings,
    Problem,
    Shift,
    Technician,
    places_of,
)
from scheduling.planning.travel import Place, TravelTable

MONDAY = date(2027, 3, 1)
TUESDAY = MONDAY + timedelta(days=1)
WEDNESDAY = MONDAY + timedelta(days=2)
HOUR = 3600


def spot(name: str, x_min: float = 0, y_min: float = 0) -> Place:
    """A place x minutes east and y minutes north of the depot; its degrees carry the minutes."""
    return Place(name, y_min / 60, x_min / 60)


DEPOT = spot("depot")


def minutes_table(places: Iterable[Place]) -> TravelTable:
    """Drive straight along the grid: |x| + |y| minutes, a kilometre a minute."""
    known = [one for one in places if one.has_position]
    minutes = np.array([[one.longitude * 60, one.latitude * 60] for one in known]).reshape(-1, 2)
    grid = np.abs(minutes[:, None, :] - minutes[None, :, :]).sum(axis=2)
    drive_s = np.rint(grid * 60).astype(np.int64)
    return TravelTable(tuple(one.id for one in known), drive_s, np.rint(grid * 1000).astype(np.int64))


def person(name: str = "ann", *, at: Place = DEPOT, skills: Iterable[str] = (), **rest) -> Technician:
    return Technician(name, name.capitalize(), at, at, frozenset(skills), **rest)


def order(name: str, at: Place, *, minutes: int = 30, first=MONDAY, last=WEDNESDAY, **rest) -> Job:
    return Job(name, at, minutes * 60, first, last, **rest)


def week(
    people: Iterable[Technician],
    orders: Iterable[Job],
    *,
    days=(MONDAY, TUESDAY, WEDNESDAY),
    shifts: Iterable[Shift] | None = None,
    settings: PlanSettings | None = None,
) -> Problem:
    people, orders = tuple(people), tuple(orders)
    if shifts is None:
        shifts = [Shift(one.id, day, 8 * HOUR, 16 * HOUR) for one in people for day in days]
    shifts = tuple(shifts)
    table = minutes_table(places_of(people, orders, shifts))
    return Problem(tuple(days), people, shifts, orders, table, settings or PlanSettings())


def random_week(seed: int) -> Problem:
    """A small awkward week: skills, parts, short openings, links, pins, bad shifts, shared sites."""
    rng = np.random.default_rng(seed)
    days = tuple(MONDAY + timedelta(days=offset) for offset in range(int(rng.integers(1, 4))))
    homes = [spot(f"home {number}", *rng.integers(-30, 31, 2)) for number in range(2)]
    people = [
        Technician(
            f"t{number}",
            f"T{number}",
            homes[number % 2],
            homes[int(rng.integers(2))],
            frozenset(skill for skill in ("a", "b") if rng.random() < 0.6),
            {"membrane": int(rng.integers(0, 3))},
            frozenset({"carbon"} if rng.random() < 0.5 else ()),
        )
        for number in range(int(rng.integers(1, 4)))
    ]
    shifts = [_random_shift(rng, one, day) for one in people for day in days if rng.random() < 0.85]
    sites = [spot(f"site {number}", *rng.integers(-60, 61, 2)) for number in range(6)]
    if rng.random() < 0.2:
        sites[0] = Place("site 0", None, None)
    orders = [_random_order(rng, number, sites, days, people) for number in range(int(rng.integers(3, 13)))]
    orders = _with_units(np.random.default_rng(seed + 10**6), orders)
    settings = PlanSettings(
        overtime_allowed_s=int(rng.choice([0, 0, 1800])), fairness=float(rng.choice([0, 0.1]))
    )
    return week(people, orders, days=days, shifts=shifts, settings=settings)


def _with_units(rng: np.random.Generator, orders: list[Job]) -> list[Job]:
    """Orders on the one or two units of their sites, some of them on water that must not be used."""
    return [
        replace(
            one,
            unit_id=f"{one.place.id}, unit {rng.integers(2)}",
            step=int(rng.integers(4)),
            set_up_s=min(600, one.service_s),
            is_unsafe=bool(rng.random() < 0.15),
            waste_s_per_day=float(rng.choice([0, 20, 300])),
            best_by=one.first_day if rng.random() < 0.3 else None,
        )
        for one in orders
    ]


def _random_shift(rng: np.random.Generator, who: Technician, day: date) -> Shift:
    start = int(rng.integers(6, 12)) * HOUR
    length = int(rng.choice([0, 2, 4, 5, 6, 8], p=[0.05, 0.1, 0.25, 0.3, 0.2, 0.1])) * HOUR
    return Shift(who.id, day, start, start + length, int(rng.choice([0, 1800])))


def _random_order(rng: np.random.Generator, number: int, sites, days, people) -> Job:
    first = days[0] + timedelta(days=int(rng.integers(-3, len(days) + 1)))
    last = first + timedelta(days=int(rng.integers(0, 6)))
    draw = rng.random()
    access = AccessHours()
    if draw < 0.3:
        opens = int(rng.integers(7, 14)) * HOUR
        access = AccessHours(otherwise=((opens, opens + int(rng.integers(1, 5)) * HOUR),))
    elif draw < 0.4:
        access = AccessHours(otherwise=((8 * HOUR, 11 * HOUR), (14 * HOUR, 17 * HOUR)))
    elif draw < 0.5:
        access = AccessHours(by_weekday={0: (), 1: ()})
    link = Link(f"w{number - 1}", 1, int(rng.integers(1, 3))) if number and rng.random() < 0.15 else None
    pin = None
    if rng.random() < 0.12:
        start = int(rng.integers(8, 14)) * HOUR
        who = people[int(rng.integers(len(people)))].id
        pin = Pin(PinLevel.PROMISED, days[int(rng.integers(len(days)))], who, start, start + HOUR)
    return Job(
        id=f"w{number}",
        place=sites[int(rng.integers(len(sites)))],
        service_s=int(rng.choice([15, 30, 60, 120, 300, 600], p=[0.2, 0.25, 0.3, 0.15, 0.07, 0.03])) * 60,
        first_day=first,
        last_day=last,
        risk_weight=float(rng.choice([0.5, 1, 3])),
        skills=frozenset(
            {str(rng.choice(["a", "b", "c"], p=[0.45, 0.45, 0.1]))} if rng.random() < 0.4 else ()
        ),
        parts={str(rng.choice(["membrane", "carbon"])): 1} if rng.random() < 0.3 else {},
        access=access,
        after=link,
        pin=pin,
    )
