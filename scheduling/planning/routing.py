"""The only file that imports the route solver: some days and orders in, better days out."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from typing import Any

import pyvrp
from pyvrp import (
    Client,
    ClientGroup,
    Depot,
    IteratedLocalSearch,
    IteratedLocalSearchParams,
    Location,
    PenaltyManager,
    ProblemData,
    RandomNumberGenerator,
    Route,
    Solution,
    VehicleType,
)
from pyvrp.search import (
    OPERATORS,
    LocalSearch,
    NeighbourhoodParams,
    PerturbationManager,
    PerturbationParams,
    compute_neighbours,
)

from scheduling.planning.axis import AxisModel, Visit
from scheduling.planning.tables import Assignment, Sequence_, Tables
from scheduling.planning.timing import timed


def solver_versions() -> dict[str, str]:
    """Return the solver's version, kept with each plan."""
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
        several days are not modelled, so repair and judge it before use. None when nothing was found.
    """
    if not slots or not jobs:
        return None
    model = AxisModel(tables, plan, list(slots), list(jobs))
    if not model.clients:
        return None
    data = _data(model)
    start = _warm_start(model, data)
    stop = _Stop(effort, should_stop)
    best = (
        _solved_long(data, stop, seed, start)
        if start is None or model.tables.problem.settings.all_orders_required
        else _solved_briefly(data, stop, seed, start, model.scale)
    )
    return _read(model, best) if best.is_feasible() else None


BRIEF_NEIGHBOURS = 40
BRIEF_PERTURBATIONS = 5
BRIEF_HISTORY = 60
BRIEF_PENALTY = 50.0
"""For windows of a few seconds, from a plan that stands: small disturbances, soon back to what is better, and
a penalty for lateness at a door low enough to pass through such plans. With the solver's own settings, made
for minutes, windows of our invented weeks gained half as much in the same time. [price per second]"""


def _solved_long(data: ProblemData, stop: _Stop, seed: int, start: Solution | None) -> Solution:
    return pyvrp.solve(data, stop, seed=seed, collect_stats=False, display=False, initial_solution=start).best


def _solved_briefly(data: ProblemData, stop: _Stop, seed: int, start: Solution, scale: int) -> Solution:
    neighbours = compute_neighbours(data, NeighbourhoodParams(num_neighbours=BRIEF_NEIGHBOURS))
    disturb = PerturbationManager(PerturbationParams(1, BRIEF_PERTURBATIONS))
    search = LocalSearch(data, RandomNumberGenerator(seed=seed), neighbours, disturb)
    for operator in OPERATORS:
        if operator.supports(data):
            search.add_operator(operator(data))
    penalty = BRIEF_PENALTY * scale
    penalties = PenaltyManager(([penalty] * data.num_load_dimensions, penalty, penalty))
    how = IteratedLocalSearchParams(history_length=BRIEF_HISTORY)
    return IteratedLocalSearch(data, penalties, search, start, how).run(stop, collect_stats=False).best


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


def _data(model: AxisModel) -> ProblemData:
    distances, durations = model.matrices()
    locations = [Location(0, 0) for _ in range(len(model.depot_rows) + len(model.place_of))]
    depots = [Depot(index) for index in range(len(model.depot_rows))]
    ways: dict[int, list[int]] = {}
    for index, visit in enumerate(model.clients):
        ways.setdefault(visit.job, []).append(index)
    several = [indices for indices in ways.values() if len(indices) > 1]
    group_of = {index: number for number, indices in enumerate(several) for index in indices}
    required = model.tables.problem.settings.all_orders_required
    return ProblemData(
        locations=locations,
        clients=[
            _client(model, index, visit, group_of, required) for index, visit in enumerate(model.clients)
        ],
        depots=depots,
        vehicle_types=[_vehicle(model, key, len(members)) for key, members in model.groups],
        distance_matrices=distances,
        duration_matrices=durations,
        groups=[ClientGroup(indices, required=required) for indices in several],
    )


def _client(model: AxisModel, index: int, visit: Visit, group_of: dict[int, int], required: bool) -> Client:
    job = model.tables.jobs[visit.job]
    load = [job.van_space] if model.has_space else []
    load += [job.parts.get(kind, 0) for kind in model.kinds]
    group = group_of.get(index)
    return Client(
        location=len(model.depot_rows) + visit.place,
        delivery=load,
        service_duration=job.service_s,
        tw_early=visit.earliest,
        tw_late=visit.latest,
        prize=0 if required else visit.prize * model.scale,
        required=required and group is None,
        group=group,
    )


def _vehicle(model: AxisModel, key: tuple[object, ...], available: int) -> VehicleType:
    day, ends, start_s, end_s, pause_s, fair_s, profile, capacity = key
    assert isinstance(day, int) and isinstance(ends, tuple) and isinstance(capacity, tuple)  # noqa: PT018
    assert isinstance(start_s, int) and isinstance(end_s, int) and isinstance(pause_s, int)  # noqa: PT018
    assert isinstance(fair_s, int) and isinstance(profile, int)  # noqa: PT018
    settings, offset, work_s = (
        model.tables.problem.settings,
        model.day_offset[day],
        end_s - start_s - pause_s,
    )
    extra: dict[str, Any] = {}
    if settings.overtime_allowed_s:
        extra = {
            "shift_duration": work_s,
            "max_overtime": settings.overtime_allowed_s,
            "unit_overtime_cost": round(settings.overtime * model.scale),
            "start_late": offset + start_s,
        }
    elif settings.fairness:
        extra = {
            "shift_duration": min(work_s, fair_s),
            "max_overtime": work_s - min(work_s, fair_s),
            "unit_overtime_cost": round(settings.fairness * model.scale),
        }
    return VehicleType(
        num_available=available,
        capacity=list(capacity),
        start_depot=model.depot_of[ends[0]],
        end_depot=model.depot_of[ends[1]],
        tw_early=offset + start_s,
        tw_late=offset + end_s - pause_s + settings.overtime_allowed_s,
        profile=profile,
        **extra,
    )


def _warm_start(model: AxisModel, data: ProblemData) -> Solution | None:
    ways: dict[int, list[int]] = {}
    for index, visit in enumerate(model.clients):
        ways.setdefault(visit.job, []).append(index)
    routes = []
    for number in model.slots:
        sequence = model.plan.get(number, ())
        timing = timed(model.tables, model.tables.slots[number], sequence) if sequence else None
        if timing is None:
            continue
        offset = model.day_offset[model.tables.slots[number].day]
        visits = [
            _way(model, ways.get(model.tables.number_of[stop.job_id], []), offset + stop.start_s)
            for stop in timing.stops
        ]
        chosen = [index for index in visits if index is not None]
        if chosen:
            routes.append(Route(data, chosen, model.group_of[number]))
    return Solution(data, routes) if routes else None


def _way(model: AxisModel, indices: list[int], moment: int) -> int | None:
    for index in indices:
        if model.clients[index].earliest <= moment <= model.clients[index].latest:
            return index
    return None


def _read(model: AxisModel, solution: Solution) -> Assignment:
    """Give the solver's routes to the slots; among equal ones, to the one that had most of them."""
    free = {index: list(members) for index, (_, members) in enumerate(model.groups)}
    found: Assignment = {number: () for number in model.slots}
    for route in solution.routes():
        sequence: Sequence_ = tuple(model.clients[stop.idx].job for stop in route if stop.is_client())
        members = free[route.vehicle_type()]
        number = max(members, key=lambda one: len(set(model.plan.get(one, ())) & set(sequence)))
        members.remove(number)
        found[number] = sequence
    return found
