"""Kinds of windows: which technician-days to plan anew together, and which kind has paid lately."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scheduling.planning.mend import mend
from scheduling.planning.search import Search
from scheduling.planning.tables import Tables
from scheduling.planning.trouble import better_days, in_trouble, stripped


@dataclass(frozen=True)
class Shape:
    """A kind of window: so many days near each other, with everybody or some neighbours.

    ``days`` by ``people``, searched for ``seconds``.
    """

    days: int
    people: int
    seconds: float

    def look(self, search: Search, rng: np.random.Generator) -> None:
        """Draw one window of this shape and re-plan it."""
        tables = search.tables
        days, people = _near_days(tables, self.days, rng), _near_people(tables, self.people, rng)
        slots = [slot.number for slot in tables.slots if slot.day in days and slot.technician in people]
        search.window(slots, _about(self.seconds, rng))


@dataclass(frozen=True)
class Near:
    """A kind of window: so many technician-days, ``routes``, whatever their day, that pass near one place,
    searched for ``seconds``.
    """

    routes: int
    seconds: float

    def look(self, search: Search, rng: np.random.Generator) -> None:
        """Draw one window of this shape, around an order drawn anywhere, and re-plan it."""
        slots = _passing_near(search, int(rng.integers(len(search.tables.jobs))), rng)
        search.window(sorted(slots[: self.routes]), _about(self.seconds, rng))


@dataclass(frozen=True)
class InTime:
    """A way out for orders that are late or missing though a better day exists.

    That day is planned from what must be done on it, then filled with what else there is, then the ``days``
    around it take in what had to leave. ``seconds`` for each of these steps.
    """

    days: int
    seconds: float

    def look(self, search: Search, rng: np.random.Generator) -> bool:
        """Draw one such order and re-plan its better day. False when there is none."""
        tables = search.tables
        waiting = in_trouble(tables, search.plan)
        if not waiting:
            return False
        job = waiting[int(rng.integers(len(waiting)))]
        day = int(rng.choice(better_days(tables, search.plan, job)))
        out = {one for one in waiting if day in better_days(tables, search.plan, one)}
        slots = [slot.number for slot in tables.slots if slot.day == day]
        needed, start = stripped(tables, search.plan, day, out)
        found = search.tried(start, slots, needed, self.seconds)
        if found is None:
            return True
        beside = search.beside(mend(tables, found, fill=True))
        beside.window(slots, self.seconds)
        beside.make_room()
        around = sorted({slot.day for slot in tables.slots}, key=lambda one: abs(one - day) + rng.random())
        near = set(around[: self.days])
        beside.window([slot.number for slot in tables.slots if slot.day in near], self.seconds)
        search.take(beside)
        return True


def _about(seconds: float, rng: np.random.Generator) -> float:
    return seconds * float(0.6 + 0.8 * rng.random())


def _passing_near(search: Search, job: int, rng: np.random.Generator) -> list[int]:
    """Return all technician-days, those first that pass near an order, a little shuffled."""
    tables = search.tables
    drive = tables.drive_s[tables.job_row[job]]
    far = {
        slot.number: min(
            (drive[tables.job_row[one]] for one in search.plan.get(slot.number, ())),
            default=drive[slot.start_row],
        )
        * (0.7 + 0.6 * rng.random())
        for slot in tables.slots
    }
    return sorted(far, key=lambda number: far[number])


WHOLE = Shape(99, 99, 3.0)
SHAPES = (
    Shape(5, 99, 3.0),
    Shape(3, 99, 1.5),
    Shape(2, 99, 1.0),
    Shape(99, 7, 3.0),
    Near(35, 3.0),
    Near(12, 1.0),
    Shape(5, 4, 2.0),
)
"""Measured on the invented week of 1 000 orders: early, windows of many days and everybody bring most a
second; once days are good in themselves, orders have to change days, and long windows of few people or of
routes that pass near each other bring what is left."""
TROUBLE = InTime(3, 1.2)


@dataclass
class Yield:
    """What a ``shape`` has brought lately, ``per_second`` of search [s of cost]. Starts hopeful."""

    shape: Shape | Near
    per_second: float = 1e9

    def learn(self, gain_s: int, seconds: float) -> None:
        """Take in what a try of this shape brought."""
        rate = gain_s / max(0.01, seconds)
        self.per_second = rate if self.per_second >= 1e9 else 0.7 * self.per_second + 0.3 * rate


def _near_days(tables: Tables, count: int, rng: np.random.Generator) -> set[int]:
    """Draw days, the first anywhere, the others mostly close to it."""
    days = sorted({slot.day for slot in tables.slots})
    lead = days[int(rng.integers(len(days)))]
    order = sorted(days, key=lambda day: abs(day - lead) + 2 * rng.random())
    return set(order[:count])


def _near_people(tables: Tables, count: int, rng: np.random.Generator) -> set[int]:
    """Draw technicians whose days start near each other."""
    start_of = {slot.technician: slot.start_row for slot in tables.slots}
    people = sorted(start_of)
    if count >= len(people):
        return set(people)
    lead = people[int(rng.integers(len(people)))]
    drive = tables.problem.travel.drive_s
    near = sorted(people, key=lambda one: float(drive[start_of[lead], start_of[one]]) * (0.5 + rng.random()))
    return {lead, *near[:count]} if lead not in near[:count] else set(near[:count])
