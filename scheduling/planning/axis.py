"""Some technician-days and orders laid on one time axis: what a route solver needs, without its words."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from scheduling.planning.tables import Assignment, Tables
from scheduling.planning.timing import job_cost_s, parts_left, placed_slots
from scheduling.planning.travel import UNREACHABLE_S

AXIS_DAY_S = 200_000
"""Days are laid on one time axis this far apart: more than a day, so that no route crosses."""


@dataclass(frozen=True)
class Visit:
    """One way of doing one order: a stretch of the axis.

    ``job`` and ``place`` are row numbers; work may begin from ``earliest`` to ``latest`` [axis seconds];
    ``prize`` is what doing it then is worth [s of drive].
    """

    job: int
    place: int
    earliest: int
    latest: int
    prize: int


@dataclass
class AxisModel:
    """The given slots and orders, numbered: ways of doing each order, groups of equal slots, prices.

    ``tables`` and ``plan`` are what is planned and how it stands, ``slots`` and ``jobs`` the rows at hand;
    ``day_offset`` says where each day begins [axis seconds], ``clients`` holds the ways of doing each order.
    """

    tables: Tables
    plan: Assignment
    slots: list[int]
    jobs: list[int]
    day_offset: dict[int, int] = field(default_factory=dict)
    clients: list[Visit] = field(default_factory=list)

    def __post_init__(self) -> None:
        tables = self.tables
        days = sorted({tables.slots[number].day for number in self.slots})
        self.day_offset = {day: index * AXIS_DAY_S for index, day in enumerate(days)}
        self.chosen = set(self.slots)
        self.where = placed_slots(self.plan)
        self.place_of: dict[tuple[int, frozenset[int], int | None], int] = {}
        self.scale = self._scale()
        self.kinds = self._scarce_kinds()
        for job in self.jobs:
            self._add_visits(job)
        self._depots()
        self._vehicles()

    def _scale(self) -> int:
        settings = self.tables.problem.settings
        prices = (settings.overtime, settings.fairness)
        return next(
            (scale for scale in (1, 10) if all(float(scale * price).is_integer() for price in prices)), 100
        )

    # orders

    def _add_visits(self, job: int) -> None:
        tables = self.tables
        own = [number for number in tables.allowed_slots[job] if number in self.chosen]
        days = self._days_of(job, own)
        if not days:
            return
        technicians = frozenset(tables.slots[number].technician for number in own)
        key = (tables.job_row[job], technicians, self._preferred(job))
        place = self.place_of.setdefault(key, len(self.place_of))
        stretches = self._stretches(job, own, days)
        for earliest, latest, late_cost in stretches:
            prize = job_cost_s(tables, job, None) - late_cost
            if prize > 0:
                self.clients.append(Visit(job, place, earliest, latest, prize))

    def _days_of(self, job: int, own: list[int]) -> list[int]:
        """Return the days open to the order; linked orders keep the day they have."""
        tables = self.tables
        days = sorted({tables.slots[number].day for number in own})
        if tables.is_linked(job):
            if job not in self.where:
                return []
            return [day for day in days if day == tables.slots[self.where[job]].day]
        return days

    def _preferred(self, job: int) -> int | None:
        tables, first = self.tables, self.tables.predecessor[job]
        if first is not None and first in self.where:
            return tables.slots[self.where[first]].technician
        return tables.preferred[job]

    def _stretches(self, job: int, own: list[int], days: list[int]) -> list[tuple[int, int, int]]:
        """
        Return (earliest, latest, late cost) on the axis. Neighbouring days that cost the same and are open
        for the whole of every shift become one stretch: fewer alternatives, far better search.
        """
        tables = self.tables
        stretches: list[tuple[int, int, int]] = []
        joined_from: int | None = None
        for day in days:
            offset, cost = self.day_offset[day], tables.late_cost_s[job][day]
            on_day = [tables.slots[number] for number in own if tables.slots[number].day == day]
            first, last = min(slot.start_s for slot in on_day), max(slot.hard_end_s for slot in on_day)
            windows = tables.windows[job][day]
            whole = (
                len(windows) == 1 and windows[0][0] <= first and windows[0][1] + tables.service_s[job] >= last
            )
            if (
                whole
                and joined_from is not None
                and stretches[-1][2] == cost
                and self._next_to(joined_from, day)
            ):
                earliest, _, _ = stretches[-1]
                stretches[-1] = (earliest, offset + windows[0][1], cost)
            else:
                stretches += [(offset + opens, offset + latest, cost) for opens, latest in windows]
            joined_from = day if whole else None
        return stretches

    def _next_to(self, day: int, other: int) -> bool:
        return self.day_offset[other] - self.day_offset[day] == AXIS_DAY_S

    # people

    def _depots(self) -> None:
        rows = {row for number in self.slots for row in self._ends(number)}
        self.depot_rows = sorted(rows)
        self.depot_of = {row: index for index, row in enumerate(self.depot_rows)}

    def _ends(self, number: int) -> tuple[int, int]:
        slot = self.tables.slots[number]
        return slot.start_row, slot.end_row

    def _vehicles(self) -> None:
        """Group slots the solver can't tell apart; give each group a profile of reachable places."""
        tables = self.tables
        profiles: dict[tuple[tuple[bool, bool], ...], int] = {}
        groups: dict[tuple[object, ...], list[int]] = {}
        self.left: dict[int, dict[str, int]] = {}
        outside = {number: one for number, one in self.plan.items() if number not in self.chosen}
        for number in self.slots:
            slot = tables.slots[number]
            view = tuple(
                (slot.technician in able, preferred is not None and preferred != slot.technician)
                for _, able, preferred in self.place_of
            )
            profile = profiles.setdefault(view, len(profiles))
            if slot.technician not in self.left:
                self.left[slot.technician] = parts_left(tables, outside, slot.technician)
            capacity = tuple(self._capacity(slot.technician))
            key = (
                slot.day,
                self._ends(number),
                slot.start_s,
                slot.end_s,
                slot.lunch_s + slot.off_s,
                slot.fair_s,
                profile,
                capacity,
            )
            groups.setdefault(key, []).append(number)
        self.profiles = list(profiles)
        self.groups = [(key, members) for key, members in groups.items()]
        self.group_of = {
            number: index for index, (_, members) in enumerate(self.groups) for number in members
        }

    def _scarce_kinds(self) -> list[str]:
        """Parts that could run out for somebody; the others need no room in the model."""
        tables = self.tables
        wanted: dict[str, int] = {}
        for job in self.jobs:
            for kind, pieces in tables.jobs[job].parts.items():
                wanted[kind] = wanted.get(kind, 0) + pieces
        technicians = {tables.slots[number].technician for number in self.slots}
        return sorted(
            kind
            for kind, pieces in wanted.items()
            if any(
                kind not in tables.technicians[one].restock_kinds
                and tables.technicians[one].van_stock.get(kind, 0) < pieces
                for one in technicians
            )
        )

    @property
    def has_space(self) -> bool:
        """Say whether any van's room is limited."""
        return any(
            self.tables.technicians[self.tables.slots[one].technician].van_space is not None
            for one in self.slots
        )

    def _capacity(self, technician: int) -> list[int]:
        person, plenty = self.tables.technicians[technician], 10**7
        capacity = [plenty if person.van_space is None else person.van_space] if self.has_space else []
        for kind in self.kinds:
            free = kind in person.restock_kinds
            capacity.append(plenty if free else max(0, self.left[technician].get(kind, 0)))
        return capacity

    def matrices(self) -> tuple[list[Any], list[Any]]:
        """Return price and time matrices per profile: driving, walking in, strangers' surcharge, no entry."""
        tables, settings = self.tables, self.tables.problem.settings
        depots = len(self.depot_rows)
        rows = np.array([*self.depot_rows, *(row for row, _, _ in self.place_of)])
        drive = tables.problem.travel.drive_s[np.ix_(rows, rows)]
        enters = rows[:, None] != rows[None, :]
        enters[:depots, :] = True
        enters[:, :depots] = False
        times = drive + np.where(enters, tables.visit_s, 0)
        prices = np.rint(
            self.scale * (drive * settings.drive + np.where(enters, tables.visit_price_s, 0))
        ).astype(np.int64)
        surcharge = round(settings.other_technician * 60 * self.scale)
        distances, durations = [], []
        for view in self.profiles:
            price, seconds = prices.copy(), times.copy()
            for place, (able, stranger) in enumerate(view):
                index = depots + place
                if stranger:
                    price[:, index] += surcharge
                if not able:
                    seconds[index, :] = seconds[:, index] = UNREACHABLE_S
                    price[index, :] = price[:, index] = UNREACHABLE_S
            for matrix in (price, seconds):
                np.fill_diagonal(matrix, 0)
                distances.append(matrix) if matrix is price else durations.append(matrix)
        return distances, durations
