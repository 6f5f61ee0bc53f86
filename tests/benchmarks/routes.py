"""Figures: our planner, the bare solver and whatever other solver is handed in, on the same problems."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from scheduling.planning.planner import plan_week
from scheduling.planning.problem import Job, Pin, PinLevel, Problem
from scheduling.planning.proposal import Proposal
from scheduling.planning.replan import replan
from tests.benchmarks.academic import TENTHS, RoutingFile, as_problem, read_vrptw
from tests.benchmarks.bare_solver import bare_distance
from tests.benchmarks.synthetic import SIZES, invented_week

BEST_KNOWN = {
    "C101": 827.3,
    "R101": 1637.7,
    "RC208": 776.1,
    "R1_2_1": 4667.2,
}
"""Best known distances, DIMACS 2021 convention, from the CVRPLIB list of December 2024."""

Rival = Callable[[RoutingFile, float], float | None]
"""Another solver: (file, seconds) -> distance, or None when it finds nothing."""


@dataclass(frozen=True)
class FileFigure:
    """Distances on one academic file, in the file's lengths; None where not run or not found."""

    name: str
    customers: int
    seconds: float
    best_known: float | None
    ours: float
    bare: float | None
    rival: float | None

    @staticmethod
    def gap(value: float | None, best_known: float | None) -> float | None:
        """Return how far above the best known. [%]"""
        return None if value is None or best_known is None else 100 * (value / best_known - 1)

    @property
    def our_gap(self) -> float | None:
        """Return our plan's gap to the best known. [%]"""
        return self.gap(self.ours, self.best_known)

    @property
    def bare_gap(self) -> float | None:
        """Return the bare solver's gap to the best known. [%]"""
        return self.gap(self.bare, self.best_known)


def academic_figure(
    path: Path, *, seconds: float, seed: int, with_bare: bool = True, rival: Rival | None = None
) -> FileFigure:
    """Return our distance on a file through problem and plan, beside the bare solver's and a rival's."""
    file = read_vrptw(path)
    plan = plan_week(as_problem(file), seconds=seconds, seed=seed)
    return FileFigure(
        name=path.stem,
        customers=len(file.customers) - 1,
        seconds=seconds,
        best_known=best_known_of(path),
        ours=distance_of(plan),
        bare=bare_distance(file, seconds, seed) if with_bare else None,
        rival=rival(file, seconds) if rival else None,
    )


def best_known_of(path: Path) -> float | None:
    """Return the best known distance: ours to hand, else the cost in a ``.sol`` file beside, else None."""
    beside = path.with_suffix(".sol")
    if path.stem not in BEST_KNOWN and beside.exists():
        words = [line.split() for line in beside.read_text().splitlines()]
        costs = [line[1] for line in words if len(line) == 2 and line[0].lower() == "cost"]
        return float(costs[0]) if costs else None
    return BEST_KNOWN.get(path.stem)


def distance_of(plan: Proposal) -> float:
    """Return the distance of an academic plan in the file's lengths; infinite when an order is left out."""
    if plan.unplaced:
        return float("inf")
    return sum(route.distance_m for route in plan.routes) / TENTHS


@dataclass(frozen=True)
class WeekFigure:
    """One invented week planned."""

    size: str
    seconds: float
    first_plan_s: float
    first_price_min: float
    price_min: float
    placed: int
    late_jobs: int
    unavoidably_late: int
    unplaced: int
    unplaced_due: int
    unexplained: int
    drive_min: float


def week_figure(size: str, *, seconds: float, seed: int, case: int = 1) -> tuple[WeekFigure, Proposal]:
    """Plan an invented week of size S, M or L and return its figures with the plan."""
    problem = invented_week(SIZES[size], seed=case)
    began = time.perf_counter()
    first: list[tuple[float, float]] = []
    plan = plan_week(
        problem,
        seconds=seconds,
        seed=seed,
        on_plan=lambda early: first.append((time.perf_counter() - began, early.totals.cost_min)),
    )
    totals = plan.totals
    figure = WeekFigure(
        size=size,
        seconds=time.perf_counter() - began,
        first_plan_s=first[0][0] if first else time.perf_counter() - began,
        first_price_min=first[0][1] if first else totals.cost_min,
        price_min=totals.cost_min,
        placed=totals.placed,
        late_jobs=totals.late_jobs,
        unavoidably_late=unavoidably_late(problem),
        unplaced=totals.unplaced,
        unplaced_due=totals.unplaced_due,
        unexplained=sum(not one.text for one in plan.unplaced),
        drive_min=totals.drive_s / 60,
    )
    return figure, plan


def unavoidably_late(problem: Problem) -> int:
    """Return how many orders due inside the days have no day in time that is open with anybody suitable."""
    shifts = {(shift.technician_id, shift.day) for shift in problem.shifts}
    return sum(
        job.last_day <= problem.days[-1]
        and not any(
            job.first_day <= day <= job.last_day
            and any(shuts - opens >= job.service_s for opens, shuts in job.access.on(day))
            and any((one.id, day) in shifts and job.skills <= one.skills for one in problem.technicians)
            for day in problem.days
        )
        for job in problem.jobs
    )


@dataclass(frozen=True)
class ReplanFigure:
    """One absence and five urgent orders after publishing."""

    seconds: float
    promised: int
    promises_lost: int
    promises_moved: int
    due_visits: int
    due_kept: int
    urgent_placed: int
    price_min: float


def replan_figure(
    size: str, *, plan_seconds: float, seconds: float, seed: int, case: int = 1
) -> ReplanFigure:
    """Publish an invented week with some promises; then one person is ill and five orders are urgent."""
    problem = invented_week(SIZES[size], seed=case)
    published = plan_week(problem, seconds=plan_seconds, seed=seed)
    rng = np.random.default_rng(case)
    ill = published.routes[0].technician_id
    first_day = problem.days[0]
    promised = promises_on(problem, published, spare=(ill, first_day), share=0.15, rng=rng)
    urgent = urgent_orders(problem, 5, rng)
    now = replace(
        problem,
        jobs=(*promised, *urgent),
        shifts=tuple(one for one in problem.shifts if (one.technician_id, one.day) != (ill, first_day)),
    )
    began = time.perf_counter()
    result = replan(now, published, seconds=seconds, seed=seed)
    took = time.perf_counter() - began
    before = {stop.job_id: (route.technician_id, route.day) for route, stop in published.placements()}
    after = {stop.job_id: (route.technician_id, route.day) for route, stop in result.proposal.placements()}
    due = [
        job.id
        for job in promised
        if job.pin is None
        and job.id in before
        and job.last_day <= problem.days[-1]
        and before[job.id] != (ill, first_day)
    ]
    return ReplanFigure(
        seconds=took,
        promised=sum(job.pin is not None for job in promised),
        promises_lost=len(result.lost),
        promises_moved=result.comparison.promises_moved,
        due_visits=len(due),
        due_kept=sum(after.get(job_id) == before[job_id] for job_id in due),
        urgent_placed=sum(job.id in after for job in urgent),
        price_min=result.proposal.totals.cost_min,
    )


def promises_on(
    problem: Problem,
    published: Proposal,
    *,
    spare: tuple[str, date],
    share: float,
    rng: np.random.Generator,
) -> tuple[Job, ...]:
    """Return the orders with a share of the published visits promised to the half hour around their start."""
    spots = {stop.job_id: (route, stop) for route, stop in published.placements()}
    jobs = []
    for job in problem.jobs:
        chance = rng.random()
        if (
            job.id in spots
            and chance < share
            and (spots[job.id][0].technician_id, spots[job.id][0].day) != spare
        ):
            route, stop = spots[job.id]
            pin = Pin(
                PinLevel.PROMISED, route.day, route.technician_id, stop.start_s - 1800, stop.start_s + 1800
            )
            job = replace(job, pin=pin)
        jobs.append(job)
    return tuple(jobs)


def urgent_orders(problem: Problem, count: int, rng: np.random.Generator) -> tuple[Job, ...]:
    """Return invented urgent orders at known sites, due tomorrow, weighing three times the ordinary."""
    chosen = rng.choice(len(problem.jobs), count, replace=False).tolist()
    return tuple(
        Job(
            id=f"urgent {number}",
            place=problem.jobs[index].place,
            service_s=2700,
            first_day=problem.days[0],
            last_day=problem.days[0] + timedelta(days=1),
            risk_weight=3.0,
        )
        for number, index in enumerate(chosen)
    )
