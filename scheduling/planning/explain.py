"""Why here, and why not: found by trying, never guessed."""

from __future__ import annotations

from dataclasses import replace

from scheduling.planning.near_miss import nearest_miss
from scheduling.planning.problem import DAY_S, Job, PinLevel
from scheduling.planning.proposal import Limit, Reason, Unplaced
from scheduling.planning.repair import best_insertion, link_day_range, open_slots, remove
from scheduling.planning.tables import Assignment, Tables, has_skills_and_parts, missing_parts
from scheduling.planning.timing import job_cost_s, placed_slots, route_cost_s
from shared.messages import joined, message
from shared.periods import day_text


def explain_left_out(tables: Tables, plan: Assignment, job: int, *, thorough: bool = True) -> Unplaced:
    """
    Return the binding reason why an order is not in the plan.

    The first that holds: proofs from the order's own data, then links and pins, then every insertion tried.
    """
    order = tables.jobs[job]
    proof = _proof(tables, job) or _link_reason(tables, plan, job) or _pin_reason(tables, plan, job)
    if proof is not None:
        return proof
    place = best_insertion(tables, plan, job)
    if place is not None:
        slot = tables.slots[place.slot]
        extra = (place.delta_s + job_cost_s(tables, job, None)) / 60
        worth = tables.unplaced_cost_s[job] / 60
        text = message(
            "it would add {extra:.0f} min of price and waiting until later costs {worth:.0f} min.",
            extra=extra,
            worth=worth,
        )
        return Unplaced(
            order.id,
            Reason.COSTS_MORE,
            text,
            message(
                "Place it by hand if it matters more; it is safe until {last_day}.",
                last_day=day_text(order.last_day),
            ),
            technician_id=tables.technicians[slot.technician].id,
            day=tables.days[slot.day],
            extra_min=round(extra, 1),
        )
    behind = _before_unsafe_water(tables, plan, job)
    if behind is not None:
        return behind
    if not open_slots(tables, plan, job):
        return Unplaced(
            order.id,
            Reason.PART_USED_UP,
            message("the vans' {list} go to other orders.", list=", ".join(sorted(order.parts))),
            message("Load more of it."),
        )
    miss = nearest_miss(tables, plan, job) if thorough else None
    if miss is None:
        text = message(
            "every day that suits it is full; no single limit, eased alone, was found to make room."
        )
        return Unplaced(order.id, Reason.DAY_FULL, text, message("Add a shift or move another order."))
    slot = tables.slots[miss.slot]
    name, day = tables.technicians[slot.technician].name, tables.days[slot.day]
    here, short_min = (
        message("it would fit {name} on {day}", name=name, day=day_text(day)),
        miss.short_s // 60,
    )
    text = {
        Limit.SHIFT: message(
            "{here} if the shift were {short_min} min longer.", here=here, short_min=short_min
        ),
        Limit.SITE_HOURS: message(
            "{here} if the site shut {short_min} min later.", here=here, short_min=short_min
        ),
    }[miss.limit]
    return Unplaced(
        order.id,
        Reason.DAY_FULL,
        text,
        message("Lengthen it or move another order."),
        short_s=miss.short_s,
        limit=miss.limit,
        technician_id=tables.technicians[slot.technician].id,
        day=day,
    )


def _has_its_hour(order: Job) -> bool:
    """Say whether the order is unsafe water that was given its first possible hour."""
    pin = order.pin
    return order.is_unsafe and pin is not None and pin.latest_s < DAY_S and pin.level < PinLevel.PROMISED


def _before_unsafe_water(tables: Tables, plan: Assignment, job: int) -> Unplaced | None:
    """Return the reason of an order that fits only where unsafe water would wait for it, or None."""
    free = tables
    for other, order in enumerate(tables.jobs):
        if other != job and _has_its_hour(order):
            free = free.with_job(other, replace(order, pin=None))
    place = best_insertion(free, plan, job) if free is not tables else None
    if place is None:
        return None
    order, slot = tables.jobs[job], tables.slots[place.slot]
    return Unplaced(
        order.id,
        Reason.COSTS_MORE,
        message(
            "it would fit {name} on {day}, but water that must not be used would wait for it.",
            name=tables.technicians[slot.technician].name,
            day=day_text(tables.days[slot.day]),
        ),
        message("Place it by hand if it matters more."),
        technician_id=tables.technicians[slot.technician].id,
        day=tables.days[slot.day],
    )


def _proof(tables: Tables, job: int) -> Unplaced | None:
    """Return a reason that holds on empty days too, or None."""
    order, days = tables.jobs[job], tables.days
    skilled = [one for one in tables.technicians if order.skills <= one.skills]
    able = [one for one in skilled if has_skills_and_parts(one, order)]
    open_days = [day for day in days if day >= order.first_day and order.access.on(day)]
    long_enough = [
        day
        for day in open_days
        if any(shuts - opens >= order.service_s for opens, shuts in order.access.on(day))
    ]
    if order.first_day > days[-1]:
        return _left(
            order,
            Reason.WINDOW_CLOSED,
            message("it may not be done before {first_day}.", first_day=day_text(order.first_day)),
            message("Plan a later week."),
        )
    if not skilled:
        text = message("nobody has {list}.", list=", ".join(sorted(order.skills)))
        return _left(
            order, Reason.NO_SKILL, text, message("Train somebody or hire the skill for this order.")
        )
    if not able:
        lacking = sorted({kind for one in skilled for kind in missing_parts(one, order)})
        return _left(
            order,
            Reason.NO_PART,
            message("no suitable van has {list}.", list=", ".join(lacking)),
            message("Order or load the part."),
        )
    if not open_days:
        return _left(
            order,
            Reason.SITE_CLOSED,
            message("the site is closed on every day left."),
            message("Agree other access hours."),
        )
    if not long_enough:
        text = message(
            "no opening is as long as the {service_s} min of work.", service_s=order.service_s // 60
        )
        return _left(
            order, Reason.ACCESS_TOO_SHORT, text, message("Agree longer access hours or split the order.")
        )
    working = {(slot.technician, slot.day) for slot in tables.slots}
    number = {one.id: index for index, one in enumerate(tables.technicians)}
    if not any((number[one.id], days.index(day)) in working for one in able for day in long_enough):
        text = message(
            "{list} not on shift on the days the site is open.", list=", ".join(one.name for one in able[:3])
        )
        return _left(order, Reason.NO_SHIFT, text, message("Plan a shift on one of those days."))
    unpinned = _without_pin(tables, job)
    if any(route_cost_s(unpinned, slot, (job,)) is not None for slot in unpinned.allowed_slots[job]):
        return None
    longest = max(
        tables.slots[slot].hard_end_s - tables.slots[slot].start_s - tables.slots[slot].lunch_s
        for slot in unpinned.allowed_slots[job]
    )
    if order.service_s > longest:
        text = message(
            "the work takes {service_s} min; no suitable shift holds more than {longest}.",
            service_s=order.service_s // 60,
            longest=longest // 60,
        )
        return _left(
            order, Reason.LONGER_THAN_SHIFT, text, message("Split the order or plan a longer shift.")
        )
    text = message(
        "driving there, the work and the drive back fit no suitable shift and opening, even on an empty day."
    )
    return _left(
        order, Reason.TOO_FAR, text, message("Plan a longer shift, another start, or other access hours.")
    )


def _left(order: Job, reason: Reason, text: str, remedy: str) -> Unplaced:
    return Unplaced(order.id, reason, text, remedy)


def _without_pin(tables: Tables, job: int) -> Tables:
    """Return tables where this order's pin and partner are set aside, for reasons that hold without them."""
    order = tables.jobs[job]
    if order.pin is None and job not in tables.owed_by:
        return tables
    return tables.with_job(job, replace(order, pin=None))


def _pin_reason(tables: Tables, plan: Assignment, job: int) -> Unplaced | None:
    order = tables.jobs[job]
    if order.pin is None:
        return None
    if not tables.allowed_slots[job]:
        who = order.pin.technician_id or message("a day")
        text = message(
            "it is locked to {who}, {day}, which doesn't suit it.", who=who, day=day_text(order.pin.day)
        )
        return _left(order, Reason.PIN_CONFLICT, text, message("Move the lock."))
    if best_insertion(tables, plan, job) is None:
        where = message("its locked place on {day}", day=day_text(order.pin.day))
        text = message("{where} is taken by other orders or the hours don't allow it.", where=where)
        return _left(order, Reason.PIN_CONFLICT, text, message("Move this lock or another one on that day."))
    return None


def _link_reason(tables: Tables, plan: Assignment, job: int) -> Unplaced | None:
    order, where = tables.jobs[job], placed_slots(plan)
    first = tables.predecessor[job]
    if job in tables.owed_by:
        text = message(
            "order {owed_by} must follow it in time and can't be planned.", owed_by=tables.owed_by[job]
        )
        return _left(order, Reason.LINK, text, message("See the reason of that order."))
    if first is not None and first not in where:
        text = message("the visit before it, order {id}, is not placed.", id=tables.jobs[first].id)
        return _left(order, Reason.LINK, text, message("See the reason of that order."))
    if first is not None:
        start, end = link_day_range(tables, where, job)
        if start > tables.days[-1].toordinal():
            return _left(
                order,
                Reason.LINK,
                message("it follows its first visit after the last day."),
                message("Plan the next week."),
            )
        if not any(
            start <= tables.days[tables.slots[slot].day].toordinal() <= end
            for slot in tables.allowed_slots[job]
        ):
            text = message("no suitable day lies in the gap after its first visit.")
            return _left(order, Reason.LINK, text, message("Move the first visit."))
    if tables.successors[job] and best_insertion(tables, plan, job) is not None:
        return _left(
            order,
            Reason.LINK,
            message("it would fit, but no room was found for the visit that must follow it in time."),
            message("Make room on the following day."),
        )
    return None


def why_here(tables: Tables, plan: Assignment) -> dict[str, str]:
    """Return, for each placed order, why that day and that person."""
    where = placed_slots(plan)
    return {tables.jobs[job].id: _why(tables, plan, where, job) for job in sorted(where)}


def _why(tables: Tables, plan: Assignment, where: dict[int, int], job: int) -> str:
    order, slot = tables.jobs[job], tables.slots[where[job]]
    name, day = tables.technicians[slot.technician].name, tables.days[slot.day]
    parts = [text for text in (_pin_words(order), _link_words(tables, where, job)) if text]
    late = tables.late_days[job][slot.day]
    # What a lock leaves is no reason of the site's or the people's.
    allowed = [tables.slots[number] for number in _without_pin(tables, job).allowed_slots[job]]
    on_time = {one.day for one in allowed if not tables.late_days[job][one.day]}
    if late:
        parts.append(
            message("{late} d late: ", late=late)
            + (
                message("no earlier day suits it")
                if slot.day == min(one.day for one in allowed)
                else message("no room on an earlier day at a lower price")
            )
            if on_time
            else message("{late} d late: no day of this plan is in time", late=late)
        )
    elif len(on_time) == 1:
        parts.append(message("the only day in time that the site and the people allow"))
    if len({one.technician for one in allowed}) == 1:
        needs = ", ".join(sorted(order.skills)) or message("what it needs")
        parts.append(message("only {name} can do it ({needs})", name=name, needs=needs))
    mates = [
        tables.jobs[one].id
        for one in plan[where[job]]
        if one != job and tables.job_row[one] == tables.job_row[job]
    ]
    if mates:
        parts.append(message("same visit as order {list}", list=", ".join(mates[:3])))
    if not parts or (len(parts) == 1 and late):
        parts.append(
            _compared(tables, plan, job, where[job], message("{name} on {day}", name=name, day=day_text(day)))
        )
    return joined("; ", parts) + "."


def _pin_words(order: Job) -> str:
    if order.pin is None:
        return ""
    if _has_its_hour(order):
        return message("the water must not be used: the first possible hour")
    return (
        message("promised to the customer")
        if order.pin.level == PinLevel.PROMISED
        else message("locked here")
    )


def _link_words(tables: Tables, where: dict[int, int], job: int) -> str:
    first = tables.predecessor[job]
    if first is None or first not in where:
        return ""
    gap = (tables.days[tables.slots[where[job]].day] - tables.days[tables.slots[where[first]].day]).days
    same = tables.slots[where[job]].technician == tables.slots[where[first]].technician
    return message("second visit, {gap} d after order {id}", gap=gap, id=tables.jobs[first].id) + (
        message(", same technician") if same else ""
    )


def _compared(tables: Tables, plan: Assignment, job: int, number: int, here: str) -> str:
    """Try every other technician-day and say what the best of them would cost more."""
    without = dict(plan)
    remove(without, job)
    own = (route_cost_s(tables, number, plan[number]) or 0) - (
        route_cost_s(tables, number, without[number]) or 0
    )
    own += job_cost_s(tables, job, number) - job_cost_s(tables, job, None)
    others = [one for one in open_slots(tables, without, job) if one != number]
    place = best_insertion(tables, without, job, others)
    if place is None:
        return message("{here} is the only technician-day left where it fits", here=here)
    other = tables.slots[place.slot]
    more = (place.delta_s - own) / 60
    rival = message(
        "{name} on {days}",
        name=tables.technicians[other.technician].name,
        days=day_text(tables.days[other.day]),
    )
    if more >= 0.5:
        return message(
            "cheapest with {here}: next best, {rival}, costs {more:.0f} min more",
            here=here,
            rival=rival,
            more=more,
        )
    return message("as cheap with {here} as with {rival}", here=here, rival=rival)
