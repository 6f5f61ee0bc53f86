"""From slot numbers back to a proposal with times, totals and words."""

from __future__ import annotations

from dataclasses import replace

from scheduling.planning.explain import explain_left_out, why_here
from scheduling.planning.proposal import Proposal, Route, Stop, Totals
from scheduling.planning.tables import Assignment, Tables
from scheduling.planning.timing import placed_slots, plan_cost_s, timed


def assemble(
    tables: Tables, plan: Assignment, *, seed: int, versions: dict[str, str], explained: bool = True
) -> Proposal:
    """Return the plan as a proposal: every order placed with its reason, or left out with its reason."""
    problem = tables.problem
    where = placed_slots(plan)
    routes = tuple(_route(tables, number, plan[number]) for number in sorted(plan) if plan[number])
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
    slot_of = {
        (tables.technicians[slot.technician].id, tables.days[slot.day]): slot.number for slot in tables.slots
    }
    plan: Assignment = {}
    for route in proposal.routes:
        number = slot_of.get((route.technician_id, route.day))
        if number is not None:
            jobs = tuple(tables.number_of[one] for one in route.job_ids if one in tables.number_of)
            plan[number] = tuple(job for job in jobs if number in tables.allowed_slots[job])
    return plan


def _route(tables: Tables, number: int, sequence: tuple[int, ...]) -> Route:
    slot, travel = tables.slots[number], tables.problem.travel
    timing = timed(tables, slot, sequence)
    if timing is None:
        raise ValueError(f"slot {number} holds a day that doesn't work")
    row, metres, stops = slot.start_row, 0, []
    for stop in timing.stops:
        here = tables.job_row[stop.job]
        leg = 0 if stop.same_visit else int(travel.distance_m[row, here])
        row, metres = here, metres + leg
        stops.append(
            Stop(
                job_id=tables.jobs[stop.job].id,
                place_id=tables.jobs[stop.job].place.id,
                arrive_s=stop.arrive_s,
                start_s=stop.start_s,
                leave_s=stop.leave_s,
                drive_s=stop.drive_s,
                distance_m=leg,
                same_visit=stop.same_visit,
                late_days=tables.late_days[stop.job][slot.day],
            )
        )
    return Route(
        technician_id=tables.technicians[slot.technician].id,
        day=tables.days[slot.day],
        start_place_id=travel.place_ids[slot.start_row],
        end_place_id=travel.place_ids[slot.end_row],
        start_s=timing.start_s,
        end_s=timing.end_s,
        drive_s=timing.drive_s,
        distance_m=metres + int(travel.distance_m[row, slot.end_row]),
        stops=tuple(stops),
        lunch=timing.lunch,
        overtime_s=max(0, timing.end_s - slot.end_s),
    )


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
    )
