"""The only file that imports the route solver: some days and orders in, better days out."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from importlib.metadata import version
from typing import Any

import numpy as np
import pyvrp
from pyvrp import Client, ClientGroup, Depot, Location, ProblemData, Route, Solution, VehicleType

from scheduling.planning.academic import TENTHS, RoutingFile, distances_tenths, tenths
from scheduling.planning.prices import job_cost_s, parts_left, placed_slots
from scheduling.planning.tables import Assignment, Sequence_, Tables
from scheduling.planning.timing import timed
from scheduling.planning.travel import UNREACHABLE_S

AXIS_DAY_S = 200_000
"""Days are laid on one time axis this far apart: more than a day, so that no route crosses."""


def solver_versions() -> dict[str, str]:
    return {"pyvrp": version("pyvrp")}


@dataclass(frozen=True)
class Effort:
    """How long to search: seconds, or a number of iterations when the answer must repeat exactly."""

    seconds: float
    max_iterations: int | None = None


def improve_days(
    tables: Tables,
    plan: Assignment,
    slots: Sequence[int],
    jobs: Sequence[int],
    effort: Effort,
    seed: int,
    should_stop: Callable[[], bool] | None = None,
) -> Assignment | None:
    """
    Re-plan the given technician-days with the given orders, starting from the plan; other days stay.

    Parameters
    ----------
    slots : technician-days to re-plan.
    jobs : orders to consider: those on these slots, and others not placed elsewhere.

    Returns
    -------
    Assignment or None
        The given slots only, by the solver's model: lunch is reserved, not placed, and links and parts over
        several days are not modelled, so mend and judge it before use. None when nothing feasible was found.
    """
    if not slots or not jobs:
        return None
    model = _Model(tables, plan, list(slots), list(jobs))
    if not model.clients:
        return None
    data = model.data()
    start = model.warm_start(data)
    result = pyvrp.solve(
        data,
        _Stop(effort, should_stop),
        seed=seed,
        collect_stats=False,
        display=False,
        initial_solution=start,
    )
    return model.read(result.best) if result.best.is_feasible() else None


class _Stop:
    """Ends the search on time, on the iteration limit, or when a person cancels."""

    def __init__(self, effort: Effort, should_stop: Callable[[], bool] | None) -> None:
        self.left = effort.max_iterations
        self.ends_at = None if self.left is not None else time.perf_counter() + effort.seconds
        self.should_stop = should_stop

    def __call__(self, best_cost: int) -> bool:
        if self.left is not None:
            self.left -= 1
            if self.left < 0:
                return True
        elif self.ends_at is not None and time.perf_counter() >= self.ends_at:
            return True
        return self.should_stop is not None and self.should_stop()


@dataclass(frozen=True)
class _Visit:
    """One way of doing one order: a stretch of the axis. [axis seconds]"""

    job: int
    place: int
    earliest: int
    latest: int
    prize: int


@dataclass
class _Model:
    tables: Tables
    plan: Assignment
    slots: list[int]
    jobs: list[int]
    day_offset: dict[int, int] = field(default_factory=dict)
    clients: list[_Visit] = field(default_factory=list)

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
                self.clients.append(_Visit(job, place, earliest, latest, prize))

    def _days_of(self, job: int, own: list[int]) -> list[int]:
        """Return the days open to the order; linked orders keep the day they have."""
        tables = self.tables
        days = sorted({tables.slots[number].day for number in own})
        if tables.predecessor[job] is not None or tables.successors[job]:
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
                slot.lunch_s,
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

    # the solver's words

    def data(self) -> ProblemData:
        distances, durations = self._matrices()
        locations = [Location(0, 0) for _ in range(len(self.depot_rows) + len(self.place_of))]
        depots = [Depot(index) for index in range(len(self.depot_rows))]
        ways: dict[int, list[int]] = {}
        for index, visit in enumerate(self.clients):
            ways.setdefault(visit.job, []).append(index)
        several = [indices for indices in ways.values() if len(indices) > 1]
        group_of = {index: number for number, indices in enumerate(several) for index in indices}
        required = self.tables.problem.settings.all_orders_required
        return ProblemData(
            locations=locations,
            clients=[
                self._client(index, visit, group_of, required) for index, visit in enumerate(self.clients)
            ],
            depots=depots,
            vehicle_types=[self._vehicle(key, len(members)) for key, members in self.groups],
            distance_matrices=distances,
            duration_matrices=durations,
            groups=[ClientGroup(indices, required=required) for indices in several],
        )

    def _client(self, index: int, visit: _Visit, group_of: dict[int, int], required: bool) -> Client:
        job = self.tables.jobs[visit.job]
        load = [job.van_space] if self.has_space else []
        load += [job.parts.get(kind, 0) for kind in self.kinds]
        group = group_of.get(index)
        return Client(
            location=len(self.depot_rows) + visit.place,
            delivery=load,
            service_duration=job.service_s,
            tw_early=visit.earliest,
            tw_late=visit.latest,
            prize=0 if required else visit.prize * self.scale,
            required=required and group is None,
            group=group,
        )

    def _vehicle(self, key: tuple[object, ...], available: int) -> VehicleType:
        day, ends, start_s, end_s, lunch_s, fair_s, profile, capacity = key
        assert isinstance(day, int) and isinstance(ends, tuple) and isinstance(capacity, tuple)  # noqa: PT018
        assert isinstance(start_s, int) and isinstance(end_s, int) and isinstance(lunch_s, int)  # noqa: PT018
        assert isinstance(fair_s, int) and isinstance(profile, int)  # noqa: PT018
        settings, offset, work_s = (
            self.tables.problem.settings,
            self.day_offset[day],
            end_s - start_s - lunch_s,
        )
        extra: dict[str, Any] = {}
        if settings.overtime_allowed_s:
            extra = {
                "shift_duration": work_s,
                "max_overtime": settings.overtime_allowed_s,
                "unit_overtime_cost": round(settings.overtime * self.scale),
                "start_late": offset + start_s,
            }
        elif settings.fairness:
            extra = {
                "shift_duration": min(work_s, fair_s),
                "max_overtime": work_s - min(work_s, fair_s),
                "unit_overtime_cost": round(settings.fairness * self.scale),
            }
        return VehicleType(
            num_available=available,
            capacity=list(capacity),
            start_depot=self.depot_of[ends[0]],
            end_depot=self.depot_of[ends[1]],
            tw_early=offset + start_s,
            tw_late=offset + end_s - lunch_s + settings.overtime_allowed_s,
            profile=profile,
            **extra,
        )

    def _matrices(self) -> tuple[list[Any], list[Any]]:
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
            self.scale * (drive * settings.drive + np.where(enters, settings.site_visit * 60, 0))
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

    # there and back

    def warm_start(self, data: ProblemData) -> Solution | None:
        ways: dict[int, list[int]] = {}
        for index, visit in enumerate(self.clients):
            ways.setdefault(visit.job, []).append(index)
        routes = []
        for number in self.slots:
            sequence = self.plan.get(number, ())
            timing = timed(self.tables, self.tables.slots[number], sequence) if sequence else None
            if timing is None:
                continue
            offset = self.day_offset[self.tables.slots[number].day]
            visits = [
                self._way(ways.get(stop.job, []), offset + stop.start_s)
                for stop in timing.stops
                if stop.job in ways
            ]
            chosen = [index for index in visits if index is not None]
            if chosen:
                routes.append(Route(data, chosen, self.group_of[number]))
        return Solution(data, routes) if routes else None

    def _way(self, indices: list[int], moment: int) -> int | None:
        for index in indices:
            if self.clients[index].earliest <= moment <= self.clients[index].latest:
                return index
        return None

    def read(self, solution: Solution) -> Assignment:
        """Give the solver's routes to the slots; among equal ones, to the one that had most of them."""
        free = {index: list(members) for index, (_, members) in enumerate(self.groups)}
        found: Assignment = {number: () for number in self.slots}
        for route in solution.routes():
            sequence: Sequence_ = tuple(self.clients[stop.idx].job for stop in route if stop.is_client())
            members = free[route.vehicle_type()]
            number = max(members, key=lambda one: len(set(self.plan.get(one, ())) & set(sequence)))
            members.remove(number)
            found[number] = sequence
        return found


def bare_distance(file: RoutingFile, seconds: float, seed: int) -> float | None:
    """Return what the solver alone reaches on an academic file, or None when it finds nothing feasible."""
    matrix: Any = distances_tenths(file)
    depot = file.customers[0]
    data = ProblemData(
        locations=[Location(one.x, one.y) for one in file.customers],
        clients=[
            Client(
                location=index,
                delivery=[one.demand],
                service_duration=tenths(one.service),
                tw_early=tenths(one.ready),
                tw_late=tenths(one.due),
            )
            for index, one in enumerate(file.customers)
            if index
        ],
        depots=[Depot(0)],
        vehicle_types=[
            VehicleType(
                file.vehicles, [file.capacity], tw_early=tenths(depot.ready), tw_late=tenths(depot.due)
            )
        ],
        distance_matrices=[matrix],
        duration_matrices=[matrix],
    )
    result = pyvrp.solve(data, _Stop(Effort(seconds), None), seed=seed, collect_stats=False)
    return result.best.distance() / TENTHS if result.best.is_feasible() else None
