"""A new customer in one walk: customer, site, units, plan, hours and first visit, all of it or nothing.

What is unfinished is kept for the person who began it.
"""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any, Final

from django.db import transaction

from fleet.models import (
    Branch,
    Customer,
    Meter,
    MeterMeasure,
    Person,
    ReadingSource,
    Site,
    TreatmentUnit,
    UnitModel,
)
from fleet.people.audit import Actor
from fleet.readings.meter_readings import record_meter_readings
from fleet.readings.rows import NewMeterReading
from fleet.register import customers, rows, sites, units
from scheduling.contracts.starting import start_plan
from scheduling.models import AccessHours, NewCustomerDraft
from scheduling.orders import work_orders
from shared.errors import DomainError
from shared.messages import message
from shared.periods import local_day

FIRST_VISIT_DAYS: Final = 14
"""A unit that waits is to be commissioned within so many days where nothing else is wished. Our choice."""
MINUTES_TO_COMMISSION: Final = 90
MOST_KEPT: Final = 20_000
"""Signs of an unfinished walk that are kept."""


@dataclass(frozen=True)
class NewUnit:
    """One treatment unit of the walk."""

    serial: str
    unit_model: UnitModel
    label: str = ""
    running_since: date | None = None
    """None: it waits to be commissioned."""
    meter_total: float | None = None
    """What its permeate meter shows now, in ``meter_measure``."""
    meter_measure: str = MeterMeasure.GALLON


@dataclass(frozen=True)
class NewPlan:
    """The service plan of the walk, for the whole site."""

    name: str
    price: Decimal
    interval: str
    starts_on: date
    visit_every_months: int | None = None


@dataclass(frozen=True)
class NewHours:
    """When the site may be entered: the same hours on some weekdays. Monday is 0."""

    weekdays: Sequence[int]
    opens_at: time
    closes_at: time


@contextmanager
def _at(place: str) -> Iterator[None]:
    """Name the part of the page that a refusal is about."""
    try:
        yield
    except DomainError as error:
        error.field = f"{place}-{error.field}"
        raise


@transaction.atomic
def take_in(
    *,
    customer: Mapping[str, Any],
    site: Mapping[str, Any],
    new_units: Sequence[NewUnit],
    actor: Actor,
    plan: NewPlan | None = None,
    hours: NewHours | None = None,
    visit: tuple[date, date] | None = None,
    branch_name: str = "",
) -> Customer:
    """Take a new customer in. ``branch_name`` makes the first depot where there is none.

    Units that wait get an order to commission them, within ``visit`` or two weeks; with ``visit`` and nothing
    that waits, the first unit gets an order for a first visit. Raises DomainError, its field beginning with
    the place (customer, site, plan, hours, visit, or unit and number), and keeps nothing.
    """
    if not new_units:
        raise DomainError(
            message("The customer has no treatment unit yet."),
            remedy=message("Fill in the serial and model of the first one."),
            field="unit0-serial",
        )
    with _at("customer"):
        made = customers.add_customer(actor=actor, **customer)
    with _at("site"):
        given = dict(site)
        branch = given.pop("branch", None) or _first_branch(branch_name, given.get("time_zone") or "", actor)
        place = sites.add_site(customer=made, branch=branch, actor=actor, **given)
    added = []
    for number, one in enumerate(new_units):
        with _at(f"unit{number}"):
            added.append(_add_unit(place, one, actor))
    if plan is not None:
        with _at("plan"):
            start_plan(
                place, name=plan.name, interval=plan.interval, amount=plan.price, starts_on=plan.starts_on,
                visit_every_months=plan.visit_every_months, today=local_day(actor.now, place.time_zone),
                by=actor.person, now=actor.now,
            )  # fmt: skip
    if hours is not None:
        with _at("hours"):
            _set_hours(place, hours)
    with _at("visit"):
        _raise_first_visits(place, added, visit, actor)
    drop_draft(actor.person, now=actor.now)
    return made


def _first_branch(name: str, time_zone: str, actor: Actor) -> Branch:
    if not name.strip():
        raise DomainError(
            message("No depot is chosen."),
            remedy=message("Choose the depot that serves the site."),
            field="branch",
        )
    code = "".join(sign if sign.isalnum() else "-" for sign in name.strip().lower())[:40]
    made = Branch(code=code, name=name.strip(), **({"time_zone": time_zone} if time_zone else {}))
    return rows.add(made, what=message("depot added"), actor=actor, detail=made.name)


def _add_unit(site: Site, new: NewUnit, actor: Actor) -> TreatmentUnit:
    unit = units.add_unit(
        site=site, serial=new.serial, unit_model=new.unit_model, label=new.label,
        commissioned_on=new.running_since, actor=actor,
    )  # fmt: skip
    if new.meter_total is None:
        return unit
    since = units.noon(new.running_since, site, actor.now) if new.running_since else actor.now
    meter = Meter.objects.create(
        treatment_unit=unit, measure=new.meter_measure, installed_at=min(since, actor.now)
    )
    report = record_meter_readings(
        [NewMeterReading(meter.pk, actor.now, new.meter_total)], source=ReadingSource.OFFICE, now=actor.now
    )
    if report.problems:
        wrong = report.problems[0]
        raise DomainError(wrong.message, remedy=wrong.remedy, field="meter_total")
    return unit


def _set_hours(site: Site, hours: NewHours) -> None:
    if hours.closes_at <= hours.opens_at:
        raise DomainError(
            message("The end is not after the beginning."),
            remedy=message("Write hours of one day, e.g. 08:00 to 16:30."),
            field="closes_at",
        )
    AccessHours.objects.bulk_create(
        AccessHours(site=site, weekday=day, opens_at=hours.opens_at, closes_at=hours.closes_at)
        for day in hours.weekdays
    )


def _raise_first_visits(
    site: Site, added: Sequence[TreatmentUnit], visit: tuple[date, date] | None, actor: Actor
) -> None:
    today = local_day(actor.now, site.time_zone)
    first, last = visit or (today, today + timedelta(days=FIRST_VISIT_DAYS))
    waiting = [unit for unit in added if unit.commissioned_on is None]
    for unit in waiting:
        usual = [one.usual_kind for one in unit.unit_model.positions.select_related("usual_kind")]
        kinds = {kind.pk: kind for kind in usual if kind is not None}
        counts = [(kind, sum(one == kind for one in usual)) for kind in kinds.values()]
        work_orders.raise_one_off(
            treatment_unit=unit, why=str(message("Commission the treatment unit.")), window_from=first,
            window_to=last, minutes=MINUTES_TO_COMMISSION, parts=counts, by=actor.person, now=actor.now,
        )  # fmt: skip
    if visit is not None and not waiting:
        work_orders.raise_one_off(
            treatment_unit=added[0], why=str(message("First visit at a new customer.")), window_from=first,
            window_to=last, by=actor.person, now=actor.now,
        )  # fmt: skip


def keep_draft(person: Person, fields: Mapping[str, list[str]], *, shown_at: datetime, now: datetime) -> bool:
    """Keep what stands in the fields of an unfinished walk; nothing but blanks keeps nothing.

    A page shown before the walk was finished or begun anew may still send what it had: that is not kept.
    """
    kept = {name: values for name, values in fields.items() if any(values) and name[:1] != "_"}
    if sum(len(name) + sum(map(len, values)) for name, values in kept.items()) > MOST_KEPT:
        return False
    with transaction.atomic():
        draft, _ = NewCustomerDraft.objects.select_for_update().get_or_create(
            person=person, defaults={"fields": kept, "changed_at": shown_at}
        )
        if not draft.fields and draft.changed_at > shown_at:
            return False
        draft.fields, draft.changed_at = kept, now if kept else shown_at
        draft.save()
    return True


def draft_of(person: Person) -> NewCustomerDraft | None:
    """Return a person's unfinished walk."""
    return NewCustomerDraft.objects.filter(person=person).exclude(fields={}).first()


def drop_draft(person: Person, *, now: datetime) -> None:
    """Begin anew; the emptied row remembers when, against what an older page sends late."""
    NewCustomerDraft.objects.update_or_create(person=person, defaults={"fields": {}, "changed_at": now})
