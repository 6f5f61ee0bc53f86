"""Acts on the register with what follows for work orders and service plans, each in one transaction.

Before each, ``…_effects`` tell what it will do: the page shows them before anything is kept.
"""

from collections.abc import Iterable
from datetime import date, datetime, timedelta

from django.db import transaction
from django.db.models import Q, QuerySet

from fleet.models import Customer, Part, Site, TreatmentUnit
from fleet.people.audit import Actor
from fleet.register import customers, sites, units
from scheduling.billing.plan_changes import end_plan
from scheduling.models import Notice, OrderState, ServicePlan, WorkOrder
from scheduling.orders import states
from shared.messages import Message, message
from shared.periods import local_day


def open_orders(unit: TreatmentUnit) -> QuerySet[WorkOrder]:
    """Return what is still to be done at a unit."""
    return WorkOrder.objects.open().filter(treatment_unit=unit)


def running_plans(today: date, **of: object) -> QuerySet[ServicePlan]:
    """Return the plans of a unit or a site that are not over."""
    going_on = Q(ends_on__isnull=True) | Q(ends_on__gt=today)
    return ServicePlan.objects.filter(going_on, **of).order_by("code")


@transaction.atomic
def retire_unit(unit: TreatmentUnit, *, on: date, because: str, actor: Actor) -> TreatmentUnit:
    """Retire a unit, withdraw its open work and end the plans that are for it alone."""
    unit = units.retire_unit(unit, on=on, because=because, actor=actor)
    _withdraw(open_orders(unit), message("the treatment unit was retired"), actor)
    _end_plans(running_plans(on, treatment_unit=unit), on, message("The treatment unit was retired."), actor)
    return unit


@transaction.atomic
def swap_unit(
    old: TreatmentUnit, *, serial: str, on: date, actor: Actor, because: str = "", with_parts: bool = True
) -> TreatmentUnit:
    """Swap a unit. Its plans and work that names no part go on for the new one, the rest is withdrawn."""
    plans = [plan.pk for plan in running_plans(on, treatment_unit=old)]
    new = units.swap_unit(old, serial=serial, on=on, actor=actor, because=because, with_parts=with_parts)
    ServicePlan.objects.filter(pk__in=plans).update(treatment_unit=new)
    kept = _of_the_place(open_orders(old))
    ids = list(kept.values_list("pk", flat=True))
    WorkOrder.objects.filter(pk__in=ids).update(treatment_unit=new, changed_at=actor.now)
    told = message("{old} was swapped for {new}.", old=old.serial, new=new.serial)
    states.note_all(ids, message("goes on at another treatment unit"), told, at=actor.now, by=actor.person)
    _withdraw(open_orders(old), told, actor)
    return new


@transaction.atomic
def move_unit(unit: TreatmentUnit, *, to: Site, on: date, actor: Actor, seen_site: int) -> TreatmentUnit:
    """Move a unit with its open work, taken off routes, and with its plans where the customer is the same."""
    former = unit.site
    unit = units.move_unit(unit, to=to, on=on, actor=actor, seen_site=seen_site)
    plans = running_plans(on, treatment_unit=unit)
    if to.customer_id == former.customer_id:
        plans.update(site=to)
    else:
        _end_plans(plans, on, message("The treatment unit moved to another customer."), actor)
    ids = list(open_orders(unit).values_list("pk", flat=True))
    told = message("The treatment unit moved from {former} to {to}.", former=former.name, to=to.name)
    states.release(ids, told, at=actor.now, by=actor.person)
    WorkOrder.objects.filter(pk__in=ids).update(site=to, changed_at=actor.now)
    states.note_all(ids, message("goes on at another site"), told, at=actor.now, by=actor.person)
    return unit


@transaction.atomic
def close_site(site: Site, *, from_on: date, actor: Actor) -> Site:
    """Close a site; if from today on, its open work is withdrawn at once, else when the day has come."""
    site = sites.close_site(site, from_on=from_on, actor=actor)
    if site.is_closed:
        _withdraw(WorkOrder.objects.open().filter(site=site), message("the site is closed"), actor)
    return site


@transaction.atomic
def take_over_site(
    site: Site, *, customer: Customer, from_on: date, plans_go_on: bool, actor: Actor, seen_customer: int
) -> Site:
    """Make a site another customer's; its plans go on for that one or end with the former one."""
    site = sites.take_over_site(
        site, customer=customer, from_on=from_on, actor=actor, seen_customer=seen_customer
    )
    if not plans_go_on:
        _end_plans(running_plans(from_on, site=site), from_on, message("Another customer took over."), actor)
    return site


@transaction.atomic
def merge_customers(double: Customer, *, into: Customer, actor: Actor) -> Customer:
    """Merge two customers; notices that were written for one are the other's."""
    into = customers.merge_customers(double, into=into, actor=actor)
    Notice.objects.filter(customer=double).update(customer=into)
    return into


def retire_effects(unit: TreatmentUnit, now: datetime) -> list[Message]:
    """Return what retiring a unit does, in sentences."""
    return [
        *_orders_withdrawn(open_orders(unit)),
        *_plans_end(running_plans(_today(unit.site, now), treatment_unit=unit)),
        message("Lives of the parts in place end that day: {count}.", count=_parts_in_place(unit)),
        message("Readings, parts and visits stay on record under {serial}.", serial=unit.serial),
    ]


def swap_effects(unit: TreatmentUnit, now: datetime) -> list[Message]:
    """Return what swapping a unit does, in sentences."""
    kept = _of_the_place(open_orders(unit))
    plans = running_plans(_today(unit.site, now), treatment_unit=unit)
    return [
        *_orders_withdrawn(open_orders(unit).exclude(pk__in=kept.values("pk"))),
        *([message("These go on for the new unit: {list}.", list=_numbers(kept))] if kept else []),
        *([message("These plans go on for the new unit: {list}.", list=_codes(plans))] if plans else []),
        message(
            "{serial} is retired with its history; the new unit begins with its own.", serial=unit.serial
        ),
        message("Lives of the parts in place end that day: {count}.", count=_parts_in_place(unit)),
        message("The new unit's meters begin without a reading; enter what they show."),
    ]


def move_effects(unit: TreatmentUnit, to: Site, now: datetime) -> list[Message]:
    """Return what moving a unit does, in sentences."""
    orders = open_orders(unit)
    plans = running_plans(_today(unit.site, now), treatment_unit=unit)
    told = []
    if orders:
        told += [message("Open work goes along: {list}.", list=_numbers(orders))]
    if on_route := orders.filter(state=OrderState.ON_ROUTE):
        told += [message("Taken off their routes and re-planned: {list}.", list=_numbers(on_route))]
    if plans and to.customer_id == unit.site.customer_id:
        told += [message("These plans go along: {list}.", list=_codes(plans))]
    else:
        told += _plans_end(plans)
    if to.supply_id != unit.site.supply_id:
        told += [
            message(
                "The feed water is another one: wear is calculated with it, for the parts' past too. "
                "Look at their due dates after the move."
            )
        ]
    return [
        *told,
        message("{count} parts, all readings and past visits stay the unit's.", count=_parts_in_place(unit)),
        message(
            "{site} keeps on its page that {serial} stood there.", site=unit.site.name, serial=unit.serial
        ),
    ]


def close_effects(site: Site, now: datetime) -> list[Message]:
    """Return what closing a site does, in sentences."""
    told = _orders_withdrawn(WorkOrder.objects.open().filter(site=site))
    if plans := running_plans(_today(site, now), site=site):
        told += [message("These plans are not ended by it and go on earning: {list}.", list=_codes(plans))]
    return [
        *told,
        message("No new work is raised and no visit planned there until it is reopened."),
        message("Treatment units, readings and visits stay on record."),
    ]


def take_over_effects(site: Site, now: datetime) -> list[Message]:
    """Return what a takeover does, in sentences."""
    orders, plans = WorkOrder.objects.open().filter(site=site), running_plans(_today(site, now), site=site)
    told = [
        message(
            "What is earned in months that began before that day is invoiced to {customer}.",
            customer=site.customer.name,
        )
    ]
    if orders:
        told += [message("Open work stays as it is: {list}.", list=_numbers(orders))]
    if plans:
        told += [message("Plans at the site: {list}.", list=_codes(plans))]
    return [*told, message("Treatment units and their history stay with the site.")]


def merge_effects(double: Customer, into: Customer) -> list[Message]:
    """Return what merging two customers does, in sentences."""
    names = ", ".join(double.sites.order_by("name").values_list("name", flat=True)) or "–"
    return [
        message("Sites that become {into}'s: {names}.", into=into.name, names=names),
        message("{double} is offered no more; its code {code} leads to {into}.", double=double.name,
                code=double.code, into=into.name),
        message("What is still to be invoiced goes to {into}; invoices made stay as they are.",
                into=into.name),
    ]  # fmt: skip


def _today(site: Site, now: datetime) -> date:
    return local_day(now, site.time_zone)


def _of_the_place(orders: QuerySet[WorkOrder]) -> QuerySet[WorkOrder]:
    """Keep work that names no part and rests on no finding: it is about the place, not the machine."""
    return orders.filter(part__isnull=True, finding__isnull=True)


def _withdraw(orders: QuerySet[WorkOrder], because: str, actor: Actor) -> None:
    states.withdraw_all(list(orders.values_list("pk", flat=True)), because, actor.now, actor.person)


def _end_plans(plans: Iterable[ServicePlan], on: date, why: str, actor: Actor) -> None:
    """End plans with the day before ``on``, but not before they began."""
    today = actor.now.date()
    for plan in list(plans):
        last_on = max(on - timedelta(days=1), plan.starts_on)
        if plan.ends_on != last_on + timedelta(days=1):
            end_plan(plan, last_on=last_on, why=str(why), today=today, by=actor.person, now=actor.now)


def _parts_in_place(unit: TreatmentUnit) -> int:
    return Part.objects.in_place().filter(treatment_unit=unit).count()


def _orders_withdrawn(orders: QuerySet[WorkOrder]) -> list[Message]:
    if not orders:
        return []
    told = [message("Open work that is withdrawn: {list}.", list=_numbers(orders))]
    if on_route := orders.filter(state=OrderState.ON_ROUTE):
        told += [
            message("On published routes, so a technician's day changes: {list}.", list=_numbers(on_route))
        ]
    return told


def _plans_end(plans: QuerySet[ServicePlan]) -> list[Message]:
    return [message("Plans that end that day: {list}.", list=_codes(plans))] if plans else []


def _numbers(orders: QuerySet[WorkOrder], most: int = 8) -> str:
    shown = [states.number_of(pk) for pk in orders.order_by("pk").values_list("pk", flat=True)]
    return ", ".join(shown[:most]) + (f" … ({len(shown)})" if len(shown) > most else "")


def _codes(plans: QuerySet[ServicePlan]) -> str:
    return ", ".join(plan.code for plan in plans)
