"""Weeks of our own invention to measure with: a county of towns, invented people, invented orders."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from scheduling.planning.problem import (
    AccessHours,
    DayWindows,
    Job,
    PlanSettings,
    Problem,
    Shift,
    Technician,
    places_of,
)
from scheduling.planning.travel import Place, estimate_travel

HOUR_S = 3600
SKILLS = ("chemistry", "electrical")
KM_PER_DEGREE = 111.2


@dataclass(frozen=True)
class Size:
    """How big an invented case is."""

    technicians: int
    days: int
    jobs: int


SIZES = {"S": Size(4, 5, 120), "M": Size(10, 5, 400), "L": Size(14, 10, 1000)}


def invented_week(size: Size, *, seed: int, settings: PlanSettings | None = None) -> Problem:
    """
    Return an invented problem: 60 x 60 km, nine towns and a fifth of the sites rural, 1.25 orders a site,
    20 to 90 minutes of work, 30 % of orders need a skill, 35 % of sites with restricted hours, some days off.
    """
    rng = np.random.default_rng(seed)
    towns = rng.uniform(5, 55, (9, 2))
    sites = [_site(rng, towns, number) for number in range(round(size.jobs / 1.25))]
    access = [_access(rng) for _ in sites]
    first = date(2027, 3, 1)
    days = _working_days(first, size.days)
    technicians = tuple(_technician(rng, towns, number) for number in range(size.technicians))
    off = max(1, round(0.06 * size.technicians * size.days)) if size.technicians > 4 else 2
    absent = set(rng.choice(size.technicians * size.days, off, replace=False).tolist())
    shifts = tuple(
        Shift(technician.id, day, 8 * HOUR_S, 16 * HOUR_S + 1800)
        for number, technician in enumerate(technicians)
        for index, day in enumerate(days)
        if number * size.days + index not in absent
    )
    jobs = tuple(_job(rng, number, sites, access, days) for number in range(size.jobs))
    travel = estimate_travel(places_of(technicians, jobs))
    return Problem(days, technicians, shifts, jobs, travel, settings or PlanSettings())


def _working_days(first: date, count: int) -> tuple[date, ...]:
    days = [first + timedelta(days=offset) for offset in range(count * 2)]
    return tuple(day for day in days if day.weekday() < 5)[:count]


def _place(place_id: str, x_km: float, y_km: float) -> Place:
    latitude = 52.0 + y_km / KM_PER_DEGREE
    longitude = 8.0 + x_km / (KM_PER_DEGREE * float(np.cos(np.radians(latitude))))
    return Place(place_id, round(latitude, 5), round(longitude, 5), f"invented {place_id}")


def _site(rng: np.random.Generator, towns: np.ndarray, number: int) -> Place:
    if rng.random() < 0.2:
        x_km, y_km = rng.uniform(0, 60, 2)
    else:
        x_km, y_km = np.clip(towns[rng.integers(len(towns))] + rng.normal(0, 2.0, 2), 0, 60)
    return _place(f"site {number}", float(x_km), float(y_km))


def _access(rng: np.random.Generator) -> AccessHours:
    draw = rng.random()
    if draw < 0.65:
        return AccessHours(otherwise=((6 * HOUR_S, 20 * HOUR_S),))
    windows: DayWindows = ((8 * HOUR_S, 12 * HOUR_S),) if draw < 0.8 else ((13 * HOUR_S, 17 * HOUR_S),)
    if draw < 0.9:
        return AccessHours(otherwise=windows)
    closed: dict[int, DayWindows] = {int(day): () for day in rng.choice(5, 2, replace=False)}
    return AccessHours(by_weekday=closed, otherwise=((7 * HOUR_S, 18 * HOUR_S),))


def _technician(rng: np.random.Generator, towns: np.ndarray, number: int) -> Technician:
    x_km, y_km = np.clip(towns[number % len(towns)] + rng.normal(0, 1.5, 2), 0, 60)
    home = _place(f"home {number}", float(x_km), float(y_km))
    skills = frozenset(
        skill for index, skill in enumerate(SKILLS) if (number + index) % 2 == 0 or rng.random() < 0.3
    )
    return Technician(f"t{number}", f"Invented {number}", home, home, skills)


def _job(
    rng: np.random.Generator,
    number: int,
    sites: list[Place],
    access: list[AccessHours],
    days: tuple[date, ...],
) -> Job:
    where = number if number < len(sites) else int(rng.integers(len(sites)))
    due = days[0] + timedelta(days=int(rng.integers(0, round(2.2 * len(days)))))
    opens = due - timedelta(days=int(rng.integers(3, 15)))
    skills = frozenset({SKILLS[int(rng.integers(len(SKILLS)))]}) if rng.random() < 0.3 else frozenset[str]()
    return Job(
        id=f"w{number}",
        place=sites[where],
        service_s=int(rng.integers(4, 19)) * 300,
        first_day=min(opens, due),
        last_day=due,
        risk_weight=1.0,
        skills=skills,
        access=access[where],
    )
