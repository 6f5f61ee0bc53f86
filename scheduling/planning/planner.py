"""The week planned: checked inputs, day plan, routes, windows, words. The one door of this room."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from importlib.metadata import version

from scheduling.planning.checker import Violation, check
from scheduling.planning.day_plan import plan_days, simple_plan
from scheduling.planning.explain import explain_left_out, why_here
from scheduling.planning.grouping import (
    Visits,
    as_visits,
    order_by_order,
    ordered_visits,
    saved_s,
    second_visits,
)
from scheduling.planning.problem import Problem
from scheduling.planning.proposal import Proposal, Route, Totals
from scheduling.planning.repair import best_insertion, insert, make_room, repair
from scheduling.planning.swap_move import apply_swaps
from scheduling.planning.tables import Assignment, Tables, build_tables
from scheduling.planning.timing import placed_slots, plan_cost_s, timed
from shared.messages import message

try:
    from scheduling.planning.neighbourhoods import FEW_JOBS, Search, first_routes, improve
    from scheduling.planning.routing import solver_versions

    SOLVER = True
except ImportError:  # no wheel of the solver for this platform
    SOLVER = False

STARTS = ((1100, 1), (1300, 3), (900, 1))
"""Allowance per order [s] and rounds of gathering for the first day plans; the best of them goes on."""
SEVERAL_STARTS_FROM_S = 20
SEVERAL_STARTS_UP_TO_JOBS = 600
"""Above, the time for another start brings more in windows."""
FIRST_ROUTES_S = 2.5
"""For the routes of all days: longer, and people wait for a first plan that windows soon overtake. [s]"""
VISITS_SHARE = 0.6
"""Of the time, for whole visits; the rest order by order."""
SIMPLE_TOO_UP_TO_JOBS = 250
"""Up to this many orders plain insertion takes a moment and is tried as a start too."""

TELL_PLAN_EVERY_S = 10.0
"""So much is lost at most when the search has to be ended. [s]"""

OnProgress = Callable[[float, str], None]
ShouldStop = Callable[[], bool]


class PlanBroken(Exception):
    """Our own checker refused a plan of ours. Never published; tell the makers."""

    def __init__(self, violations: list[Violation]) -> None:
        super().__init__("; ".join(f"{one.rule}: {one.text}" for one in violations[:5]))
        self.violations = violations


def plan_week(
    problem: Problem,
    *,
    seconds: float,
    seed: int,
    max_iterations: int | None = None,
    on_progress: OnProgress | None = None,
    should_stop: ShouldStop | None = None,
    on_plan: Callable[[Proposal], None] | None = None,
    use_solver: bool = True,
    in_visits: bool = True,
) -> Proposal:
    """
    Plan the orders onto the technician-days, and say why.

    Parameters
    ----------
    seconds : time for the whole search; ignored when ``max_iterations`` is given.
    seed : same problem, seed and ``max_iterations`` give the same plan.
    max_iterations : iterations per step of the search, for an answer that repeats exactly.
    on_progress : called with (share done 0..1, words).
    should_stop : asked often; when true the best plan so far is returned.
    on_plan : called with the first usable plan, well before the end, and with better ones now and then.
    use_solver : False plans without the solver library, as on a platform that lacks it.
    in_visits : False plans order by order, to compare.

    Raises
    ------
    PlanBroken
        When our own checker finds a broken rule in the result.
    """
    began = time.perf_counter()
    progress: OnProgress = on_progress or (lambda share, words: None)
    stop: ShouldStop = should_stop or (lambda: False)
    visits = as_visits(problem) if in_visits else order_by_order(problem)
    tables = visits.tables
    seconds -= time_for_reasons(visits.orders, seconds)
    progress(0.02, message("sharing the orders among the days"))
    if use_solver and SOLVER:
        # Visits first: few and large. Then order by order, where splitting one is cheaper after all.
        share = VISITS_SHARE if tables is not visits.orders else 1.0
        empty = Search(tables, seed, began + share * seconds, share * seconds, max_iterations, stop, progress)
        search = _first_plan(empty, STARTS[0])
        if on_plan is not None:
            _tell_of(search, on_plan, visits)
        if max_iterations is None and _is_worth_several_starts(tables, seconds):
            first = search
            for start in STARTS[1:]:
                if not stop():
                    search = min(search, _first_plan(empty, start), key=lambda one: one.cost_s)
            if on_plan is not None and search is not first:
                _tell_of(search, on_plan, visits)
        improve(search)
        plan, versions = visits.expanded(search.plan), solver_versions()
        if share < 1:
            plan = polish(visits.orders, repair(visits.orders, plan))
            rest = (began + seconds, (1 - share) * seconds, max_iterations, stop, progress)
            plan = improved(visits.orders, plan, seed, *rest)
    else:
        plan, versions = visits.expanded(simple_plan(tables, plan_days(tables), stop)), {}
    progress(0.95, message("finding the reasons"))
    proposal = _proposed(visits, plan, seed, versions, explained=True)
    progress(1.0, "planned")
    return proposal


def _is_worth_several_starts(tables: Tables, seconds: float) -> bool:
    orders, days = len(tables.jobs), len(tables.days)
    return seconds >= SEVERAL_STARTS_FROM_S and days > 1 and orders <= SEVERAL_STARTS_UP_TO_JOBS


def _proposed(
    visits: Visits, plan: Assignment, seed: int, versions: dict[str, str], *, explained: bool
) -> Proposal:
    """Return a plan as a proposal: what still fits filled in, visits in the order of work, checked."""
    tables = visits.orders
    orders = polish(tables, repair(tables, plan))
    is_whole = visits.is_whole and not visits.unsafe - set(placed_slots(orders))
    if not is_whole and visits.unsafe:
        # Its first hour was lost: any hour is better than none.
        tables = build_tables(visits.problem)
        orders = polish(tables, orders)
    return finish(
        tables, ordered_visits(tables, orders), seed=seed, versions=versions,
        explained=explained, problem=visits.problem, is_ours=is_whole,
    )  # fmt: skip


def _tell_of(search: Search, on_plan: Callable[[Proposal], None], visits: Visits) -> None:
    """Tell the plan that stands, and from then on what is better, every few seconds."""
    told_at, told_cost_s, report = -TELL_PLAN_EVERY_S, -1, search.on_progress

    def tell(share: float, words: str) -> None:
        nonlocal told_at, told_cost_s
        now = time.perf_counter()
        if now - told_at >= TELL_PLAN_EVERY_S and search.cost_s != told_cost_s:
            told_at, told_cost_s = now, search.cost_s
            on_plan(_proposed(visits, visits.expanded(search.plan), search.seed, {}, explained=False))
        report(share, words)

    tell(0.25, message("a first plan stands"))
    search.on_progress = tell


def _first_plan(empty: Search, start: tuple[int, int]) -> Search:
    """Return a search holding a usable plan: orders shared among the days, then routes day by day."""
    allowance_s, rounds = start
    tables = empty.tables
    search = replace(empty, plan=_pinned_first(tables))
    usual_s = 0.5 if len(tables.jobs) <= FEW_JOBS else FIRST_ROUTES_S
    first_routes(search, plan_days(tables, allowance_s, rounds), min(0.25 * search.seconds, usual_s))
    search.offer(polish(tables, search.plan))
    if len(tables.jobs) <= SIMPLE_TOO_UP_TO_JOBS:
        search.offer(polish(tables, simple_plan(tables, plan_days(tables), search.should_stop)))
    return search


def time_for_reasons(tables: Tables, seconds: float) -> float:
    """Return the part of the time kept back for the reasons: 2.5 ms an order, twice what was measured."""
    return min(0.2 * seconds, 0.0025 * len(tables.jobs))


def polish(tables: Tables, plan: Assignment) -> Assignment:
    """Return the plan with whatever still fits, or due orders in place of others; never dearer."""
    best = plan
    for attempt in (repair(tables, plan, fill=True), _with_room(tables, plan)):
        cost, least = plan_cost_s(tables, attempt), plan_cost_s(tables, best)
        if cost is not None and (least is None or cost <= least):
            best = attempt
    return best


def _with_room(tables: Tables, plan: Assignment) -> Assignment:
    roomy = repair(tables, plan, fill=True)
    make_room(tables, roomy)
    apply_swaps(tables, roomy)
    return repair(tables, roomy, fill=True)


def improved(
    tables: Tables,
    plan: Assignment,
    seed: int,
    ends_at: float,
    seconds: float,
    max_iterations: int | None,
    should_stop: ShouldStop | None,
    on_progress: OnProgress | None,
) -> Assignment:
    """Return what a search that starts from a plan finds in its time; the plan itself without a solver."""
    if not SOLVER:
        return plan
    stop, progress = should_stop or (lambda: False), on_progress or (lambda share, words: None)
    search = Search(tables, seed, ends_at, seconds, max_iterations, stop, progress, plan)
    improve(search)
    return search.plan


def finish(
    tables: Tables,
    plan: Assignment,
    *,
    seed: int,
    versions: dict[str, str] | None = None,
    explained: bool = True,
    problem: Problem | None = None,
    is_ours: bool = False,
) -> Proposal:
    """
    Return the proposal after the validator has passed it; raise PlanBroken otherwise.

    ``problem`` is what was asked, where the tables hold some orders more narrowly.
    """
    asked = problem or tables.problem
    all_versions = {**(versions or {}), "scipy": version("scipy")}
    proposal = assemble(tables, plan, seed=seed, versions=all_versions, explained=explained)
    proposal = replace(proposal, inputs_hash=asked.inputs_hash())
    violations = check(asked, proposal, is_ours=is_ours)
    if violations:
        raise PlanBroken(violations)
    return proposal


def assemble(
    tables: Tables, plan: Assignment, *, seed: int, versions: dict[str, str], explained: bool = True
) -> Proposal:
    """Return the plan as a proposal: every order placed with its reason, or left out with its reason."""
    problem = tables.problem
    where = placed_slots(plan)
    days = (timed(tables, tables.slots[number], plan[number]) for number in sorted(plan) if plan[number])
    routes = tuple(route for route in days if route is not None)
    if explained:
        reasons = why_here(tables, plan)
        routes = tuple(
            replace(one, stops=tuple(replace(stop, why=reasons.get(stop.job_id, "")) for stop in one.stops))
            for one in routes
        )
    left_out = [
        explain_left_out(tables, plan, job, thorough=explained)
        for job in range(len(tables.jobs))
        if job not in where
    ]
    return Proposal(
        job_ids=tuple(job.id for job in problem.jobs),
        routes=routes,
        unplaced=(*tables.unplannable.values(), *left_out),
        refusals=tuple(tables.refusals),
        totals=_totals(tables, plan, routes),
        seed=seed,
        versions=versions,
        inputs_hash=problem.inputs_hash(),
        travel_source=problem.travel.source,
        travel_note=problem.travel.note,
    )


def assignment_of(tables: Tables, proposal: Proposal) -> Assignment:
    """Return the slot numbers of a proposal; stops whose slot or order is gone are dropped."""
    return laid_out(tables, {(route.technician_id, route.day): route.job_ids for route in proposal.routes})


def laid_out(tables: Tables, placed: Mapping[tuple[str, date], Sequence[str]]) -> Assignment:
    """Return orders per technician and day as slot numbers; what has no slot or order is dropped."""
    slot_of = {
        (tables.technicians[slot.technician].id, tables.days[slot.day]): slot.number for slot in tables.slots
    }
    plan: Assignment = {}
    for spot, job_ids in placed.items():
        number = slot_of.get(spot)
        if number is not None:
            jobs = (tables.number_of[job_id] for job_id in job_ids if job_id in tables.number_of)
            plan[number] = tuple(job for job in jobs if number in tables.allowed_slots[job])
    return plan


def _totals(tables: Tables, plan: Assignment, routes: tuple[Route, ...]) -> Totals:
    where = placed_slots(plan)
    late = [tables.late_days[job][tables.slots[number].day] for job, number in where.items()]
    left_out = [job for job in range(len(tables.jobs)) if job not in where]
    lost_pins_s = sum(tables.pin_loss_s[job] for job in left_out)
    cost_s = (plan_cost_s(tables, plan) or 0) - lost_pins_s
    days_end = tables.days[-1]
    due = sum(tables.due_inside[job] for job in left_out)
    due += sum(tables.problem.job(job_id).last_day <= days_end for job_id in tables.unplannable)
    return Totals(
        cost_min=round(cost_s / 60, 1),
        drive_s=sum(route.drive_s for route in routes),
        distance_m=sum(route.distance_m for route in routes),
        visits=sum(not stop.same_visit for route in routes for stop in route.stops),
        placed=len(where),
        late_jobs=sum(days > 0 for days in late),
        late_days=sum(late),
        unplaced=len(left_out) + len(tables.unplannable),
        unplaced_due=due,
        overtime_s=sum(route.overtime_s for route in routes),
        second_visits=second_visits(
            [(stop.place_id, route.day) for route in routes for stop in route.stops if not stop.same_visit]
        ),
        grouping_saved_min=round(saved_s(tables, plan) / 60, 1),
    )


def _pinned_first(tables: Tables) -> Assignment:
    """Return a plan that already holds the pinned orders, firmest first, so that nothing pushes them out."""
    levels = {job: order.pin.level for job, order in enumerate(tables.jobs) if order.pin is not None}
    plan: Assignment = {}
    for job in sorted(levels, key=lambda job: (-levels[job], job)):
        place = best_insertion(tables, plan, job)
        if place is not None:
            insert(plan, job, place)
    return repair(tables, plan)
