"""The price list applied to routes and plans, in whole seconds of driving. The judge of every step."""

from __future__ import annotations

from collections import Counter

from scheduling.planning.tables import Assignment, Sequence_, Slot, Tables
from scheduling.planning.timing import NEVER, day_end


def route_cost_s(tables: Tables, slot_number: int, sequence: Sequence_) -> int | None:
    """Return the price of one day, or None when the day doesn't work. Remembered per (slot, sequence)."""
    if not sequence:
        return 0
    key = (slot_number, sequence)
    if key not in tables.route_memo:
        if len(tables.route_memo) > 1_000_000:
            tables.route_memo.clear()
        tables.route_memo[key] = _route_cost_s(tables, tables.slots[slot_number], sequence)
    return tables.route_memo[key]


def _route_cost_s(tables: Tables, slot: Slot, sequence: Sequence_) -> int | None:
    end = day_end(tables, slot, sequence)
    if end >= NEVER or not load_fits(tables, slot, sequence):
        return None
    settings = tables.problem.settings
    drive, visits = drive_and_visits(tables, slot, sequence)
    strangers = sum(
        1
        for job in sequence
        if tables.preferred[job] is not None and tables.preferred[job] != slot.technician
    )
    worked = drive + visits * tables.visit_s + sum(tables.service_s[job] for job in sequence)
    return round(
        drive * settings.drive
        + visits * settings.site_visit * 60
        + max(0, end - slot.end_s) * settings.overtime
        + max(0, worked - slot.fair_s) * settings.fairness
        + strangers * settings.other_technician * 60
    )


def drive_and_visits(tables: Tables, slot: Slot, sequence: Sequence_) -> tuple[int, int]:
    """Return (driving seconds, arrivals at a site) of a day."""
    row, drive, visits = slot.start_row, 0, 0
    for position, job in enumerate(sequence):
        here = tables.job_row[job]
        if position == 0 or here != row:
            drive, visits = drive + tables.drive_s[row][here], visits + 1
        row = here
    return drive + (tables.drive_s[row][slot.end_row] if sequence else 0), visits


def busy_s(tables: Tables, slot: Slot, sequence: Sequence_) -> int:
    """Return driving, walking in, work and lunch of a day without any waiting. Remembered."""
    key = (slot.number, sequence)
    if key not in tables.busy_memo:
        if len(tables.busy_memo) > 1_000_000:
            tables.busy_memo.clear()
        drive, visits = drive_and_visits(tables, slot, sequence)
        work = sum(tables.service_s[job] for job in sequence)
        tables.busy_memo[key] = drive + visits * tables.visit_s + work + slot.lunch_s
    return tables.busy_memo[key]


def load_fits(tables: Tables, slot: Slot, sequence: Sequence_) -> bool:
    """Whether the day's jobs fit the van: space, and limited parts of this one day."""
    technician = tables.technicians[slot.technician]
    if technician.van_space is not None:
        space = sum(tables.jobs[job].van_space for job in sequence)
        if space > technician.van_space:
            return False
    limited = tables.limited_parts[slot.technician]
    return not limited or all(
        used <= limited.get(kind, used) for kind, used in _parts(tables, sequence).items()
    )


def _parts(tables: Tables, sequence: Sequence_) -> Counter[str]:
    used: Counter[str] = Counter()
    for job in sequence:
        used.update(tables.jobs[job].parts)
    return used


def parts_left(tables: Tables, plan: Assignment, technician: int) -> dict[str, int]:
    """Return the limited parts a technician still has after the whole plan; negative when overdrawn."""
    left = dict(tables.limited_parts[technician])
    if left:
        for number, sequence in plan.items():
            if tables.slots[number].technician == technician:
                for kind, pieces in _parts(tables, sequence).items():
                    if kind in left:
                        left[kind] -= pieces
    return left


def placed_slots(plan: Assignment) -> dict[int, int]:
    """Return job -> slot for everything placed."""
    return {job: number for number, sequence in plan.items() for job in sequence}


def link_cost_s(tables: Tables, where: dict[int, int]) -> int:
    """Return the price of second visits made by somebody else than the first."""
    others = sum(
        1
        for job, first in enumerate(tables.predecessor)
        if first is not None
        and job in where
        and first in where
        and tables.slots[where[job]].technician != tables.slots[where[first]].technician
    )
    return round(others * tables.problem.settings.other_technician * 60)


def job_cost_s(tables: Tables, job: int, slot_number: int | None) -> int:
    """Return what one order costs by its day, or by being left out."""
    if slot_number is None:
        return tables.unplaced_cost_s[job] + tables.pin_loss_s[job]
    return tables.late_cost_s[job][tables.slots[slot_number].day]


def plan_cost_s(tables: Tables, plan: Assignment) -> int | None:
    """Return the price of a whole plan, or None when one of its days doesn't work."""
    where = placed_slots(plan)
    total = link_cost_s(tables, where)
    for number, sequence in plan.items():
        cost = route_cost_s(tables, number, sequence)
        if cost is None:
            return None
        total += cost
    return total + sum(job_cost_s(tables, job, where.get(job)) for job in range(len(tables.jobs)))
