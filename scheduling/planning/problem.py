"""What is to be planned: people, shifts, orders, prices. Plain checked dataclasses; no Django."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field, replace
from datetime import date
from enum import IntEnum
from itertools import pairwise

from scheduling.planning.travel import Place, TravelTable

DAY_S = 86_400
NO_LUNCH_UP_TO_S = 6 * 3600
"""A day over before the hours of lunch begin needs none, unless longer than this: a break is owed when a
working day is longer than six hours (Directive 2003/88/EC, article 4). [s]"""
DayWindows = tuple[tuple[int, int], ...]
"""Open and close within one day, seconds since local midnight as the clock on the wall shows them."""


class PinLevel(IntEnum):
    """How firmly an order holds its place; higher is firmer."""

    FREE = 0
    DAY = 1
    TECHNICIAN_DAY = 2
    PROMISED = 3


@dataclass(frozen=True)
class Pin:
    """Where an order must stay. ``earliest_s`` and ``latest_s`` bound the start of work."""

    level: PinLevel
    day: date
    technician_id: str | None = None
    earliest_s: int = 0
    latest_s: int = DAY_S

    def __post_init__(self) -> None:
        if self.level == PinLevel.FREE:
            raise ValueError("a free order has no pin; give None")
        if self.level >= PinLevel.TECHNICIAN_DAY and self.technician_id is None:
            raise ValueError(f"a pin of level {self.level.name} needs a technician")
        if self.earliest_s > self.latest_s:
            raise ValueError("the promised time ends before it starts")


@dataclass(frozen=True)
class AccessHours:
    """
    When a site lets us work: windows per weekday (0 = Monday), and dates that differ (holidays: empty tuple).

    A weekday not named follows ``otherwise``. Work must start and end inside one window.
    """

    by_weekday: Mapping[int, DayWindows] = field(default_factory=dict)
    by_date: Mapping[date, DayWindows] = field(default_factory=dict)
    otherwise: DayWindows = ((0, DAY_S),)

    def __post_init__(self) -> None:
        for windows in (*self.by_weekday.values(), *self.by_date.values(), self.otherwise):
            previous_close = -1
            for opens, closes in windows:
                if not previous_close < opens < closes:
                    raise ValueError(f"access hours {windows} must rise and not overlap")
                previous_close = closes

    def on(self, day: date) -> DayWindows:
        """Return the hours of one day, the date's own before the weekday's. [s of local day]"""
        if day in self.by_date:
            return self.by_date[day]
        return self.by_weekday.get(day.weekday(), self.otherwise)

    def begun_within(self, day: date, earliest_s: int, latest_s: int, service_s: int) -> AccessHours:
        """Return hours in which work of ``service_s`` begins between two moments of a day. [s of day]"""
        cut = ((max(opens, earliest_s), min(closes, latest_s + service_s)) for opens, closes in self.on(day))
        windows = tuple((opens, closes) for opens, closes in cut if opens < closes)
        return replace(self, by_date={**self.by_date, day: windows})


ALWAYS_OPEN = AccessHours()


@dataclass(frozen=True)
class Technician:
    """
    A person with a van.

    ``van_stock`` is what the van holds for the whole plan (kind -> pieces); ``restock_kinds`` are kinds the
    start place always holds, so never short. ``van_space`` bounds the sum of ``Job.van_space`` per day.
    """

    id: str
    name: str
    start: Place
    end: Place
    skills: frozenset[str] = frozenset()
    van_stock: Mapping[str, int] = field(default_factory=dict)
    restock_kinds: frozenset[str] = frozenset()
    van_space: int | None = None


@dataclass(frozen=True)
class Shift:
    """One technician's working day. No shift means absent.

    ``off``: stretches inside it without driving or work, rising; lunch may lie in one. [s of local day]
    """

    technician_id: str
    day: date
    start_s: int
    end_s: int
    lunch_s: int = 1800
    start_place: Place | None = None
    off: DayWindows = ()

    def __post_init__(self) -> None:
        if self.lunch_s < 0:
            raise ValueError("lunch must not be negative")
        edges = [moment for stretch in self.off for moment in stretch]
        if any(later <= earlier for earlier, later in pairwise(edges)):
            raise ValueError(f"time off {self.off} must rise and not overlap")

    @property
    def work_s(self) -> int:
        """Time to drive and work in: the shift less lunch and time off. [s]"""
        return self.end_s - self.start_s - self.lunch_s - sum(end - start for start, end in self.off)


@dataclass(frozen=True)
class Link:
    """This order follows another: bed overnight, flush the next day. Gaps in calendar days."""

    predecessor_id: str
    min_gap_days: int = 1
    max_gap_days: int = 1

    def __post_init__(self) -> None:
        if not 0 <= self.min_gap_days <= self.max_gap_days:
            raise ValueError("the gap after the first visit must satisfy 0 <= min <= max days")


@dataclass(frozen=True)
class Job:
    """
    One work order to be placed.

    Parameters
    ----------
    first_day, last_day : the safe window, both days included; after ``last_day`` it is late.
    service_s : time on the spot, flush included. [s]
    risk_weight : multiplies what late and missed work costs; 1 is ordinary.
    parts : kind -> pieces needed.
    after : the order that must come first.
    best_by : from here on waiting costs more than it saves; None where it is the last day.
    waste_s_per_day : price of a day of life thrown away by coming before the last day. [s of drive per day]
    is_unsafe : the water must not be used until this is done: first possible hour, before all that can wait.
    unit_id, step : the treatment unit, and the place of the work in the order of work on it.
    set_up_s : part of ``service_s``, spared right after other work on the same unit in the same visit. [s]
    """

    id: str
    place: Place
    service_s: int
    first_day: date
    last_day: date
    risk_weight: float = 1.0
    skills: frozenset[str] = frozenset()
    parts: Mapping[str, int] = field(default_factory=dict)
    access: AccessHours = ALWAYS_OPEN
    preferred_technician_id: str | None = None
    after: Link | None = None
    pin: Pin | None = None
    van_space: int = 0
    best_by: date | None = None
    waste_s_per_day: float = 0.0
    is_unsafe: bool = False
    unit_id: str | None = None
    step: int = 0
    set_up_s: int = 0

    def __post_init__(self) -> None:
        if not 0 <= self.set_up_s <= max(self.service_s, 0):
            raise ValueError(f"order {self.id}: set-up is part of the work, 0 to {self.service_s} s")
        if self.waste_s_per_day < 0:
            raise ValueError(f"order {self.id}: wasted life must not be negative")
        if self.service_s < 0:
            raise ValueError(f"order {self.id}: the work can't take negative time")
        if self.first_day > self.last_day:
            raise ValueError(f"order {self.id}: the window ends before it starts")
        if self.risk_weight < 0:
            raise ValueError(f"order {self.id}: the risk weight must not be negative")


@dataclass(frozen=True)
class PlanSettings:
    """
    The price list, in minutes of driving an owner would give up; and the rules of the day.

    A late day costs 240: we would drive four hours to avoid it. The figures are ours, no standard's, and
    meant to be changed.
    """

    drive: float = 1.0
    site_visit: float = 8.0
    """Parking, walking in, signing in: time spent and price, once per arrival at a site."""
    disturbance: float = 0.0
    """What a customer's being disturbed once is worth, per arrival beside ``site_visit``."""
    late_day: float = 240.0
    waiting_week: float = 30.0
    """Each begun week past the best-by date, before the limit."""
    unsafe_day: float = 2400.0
    """Each day that water which must not be used waits after its first possible day."""
    missed: float = 480.0
    missed_per_day: float = 240.0
    carry_over_least: float = 18.0
    carry_over_most: float = 60.0
    carry_over_days: int = 14
    """How far past the horizon a due date must lie for the least price."""
    overtime: float = 3.0
    overtime_allowed_s: int = 0
    fairness: float = 0.0
    """Price of each minute a day is longer than the team's equal share of the work."""
    other_technician: float = 15.0
    """Price of sending somebody else than the one preferred, or than whoever made the first of two visits."""
    lunch_earliest_s: int = 11 * 3600 + 900
    lunch_latest_s: int = 13 * 3600 + 1800
    lunch_inside_work_from_s: int = 2 * 3600
    """Work at least this long may be interrupted for lunch on the spot, if the site stays open."""
    all_orders_required: bool = False
    """For exercises where an order left out makes the plan worthless."""

    def __post_init__(self) -> None:
        for name, value in asdict(self).items():
            if value < 0:
                raise ValueError(f"plan setting {name} must not be negative")
        if self.lunch_latest_s < self.lunch_earliest_s:
            raise ValueError("the latest start of lunch lies before the earliest")
        if self.carry_over_most < self.carry_over_least:
            raise ValueError("carry-over: most must not be below least")


@dataclass(frozen=True)
class Problem:
    """Everything the planner needs. Ids are unique; ``days`` rise; jobs may lie outside the days."""

    days: tuple[date, ...]
    technicians: tuple[Technician, ...]
    shifts: tuple[Shift, ...]
    jobs: tuple[Job, ...]
    travel: TravelTable
    settings: PlanSettings = PlanSettings()

    def __post_init__(self) -> None:
        if not self.days or list(self.days) != sorted(set(self.days)):
            raise ValueError("the plan needs at least one day, in rising order")
        require_unique("technician", (technician.id for technician in self.technicians))
        require_unique("order", (job.id for job in self.jobs))
        require_unique("shift", (f"{shift.technician_id} on {shift.day}" for shift in self.shifts))
        known = {technician.id for technician in self.technicians}
        for shift in self.shifts:
            if shift.technician_id not in known:
                raise ValueError(f"a shift names the unknown technician {shift.technician_id}")

    def job(self, job_id: str) -> Job:
        """Return the order of this id. Raises StopIteration when there is none."""
        return next(job for job in self.jobs if job.id == job_id)

    def inputs_hash(self) -> str:
        """Return the SHA-256 of everything that goes in: same hash, same seed, same limit, same plan."""
        digest = hashlib.sha256(repr(self.travel.place_ids).encode())
        digest.update(self.travel.drive_s.tobytes())
        digest.update(self.travel.distance_m.tobytes())
        rest = {
            "days": self.days,
            "technicians": [asdict(technician) for technician in self.technicians],
            "shifts": [asdict(shift) for shift in self.shifts],
            "jobs": [asdict(job) for job in self.jobs],
            "settings": asdict(self.settings),
        }
        digest.update(json.dumps(_canonical(rest), sort_keys=True).encode())
        return digest.hexdigest()


def require_unique(what: str, ids: Iterable[str]) -> None:
    """Raise ValueError naming the first id that appears twice."""
    seen: set[str] = set()
    for one in ids:
        if one in seen:
            raise ValueError(f"{what} {one} appears twice")
        seen.add(one)


def places_of(
    technicians: Iterable[Technician], jobs: Iterable[Job], shifts: Iterable[Shift] = ()
) -> list[Place]:
    """Return each place once: what a travel table for these people and orders must hold."""
    places: dict[str, Place] = {}
    for technician in technicians:
        places.setdefault(technician.start.id, technician.start)
        places.setdefault(technician.end.id, technician.end)
    for shift in shifts:
        if shift.start_place is not None:
            places.setdefault(shift.start_place.id, shift.start_place)
    for job in jobs:
        places.setdefault(job.place.id, job.place)
    return list(places.values())


def _canonical(value: object) -> object:
    if isinstance(value, Mapping):
        return sorted(
            ([str(key), _canonical(item)] for key, item in value.items()), key=lambda pair: str(pair[0])
        )
    if isinstance(value, (set, frozenset)):
        return sorted(str(item) for item in value)
    if isinstance(value, (list, tuple)):
        return [_canonical(item) for item in value]
    if value is None or isinstance(value, (str, int, float)):
        return value
    return str(value)
