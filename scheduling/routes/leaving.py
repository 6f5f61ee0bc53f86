"""Technicians who leave: what is still on their routes or waits for them by name, and its release."""

from dataclasses import dataclass
from datetime import date, datetime

from django.db import transaction

from fleet.models import AuditArea, Person
from fleet.people import audit
from fleet.people.services import deactivate, end_sessions
from scheduling.models import Route, StopOrder, Technician, WorkOrder
from scheduling.orders import states
from shared.errors import DomainError
from shared.messages import message


@dataclass(frozen=True)
class Left:
    """What a last day leaves to others."""

    stops: list[StopOrder]
    """In force after the last day, by day."""
    preferred: list[WorkOrder]
    """Standing work that names the technician and is on no route of theirs up to the last day."""


def left_behind(who: Technician, last_on: date) -> Left:
    """Return what would be left after a last day. Two queries."""
    links = StopOrder.objects.filter(is_in_force=True, stop__route__technician=who)
    later = links.filter(stop__route__is_in_force=True, stop__route__day__gt=last_on)
    kept = links.filter(stop__route__day__lte=last_on)
    named = WorkOrder.objects.open().filter(preferred_technician=who)
    named = named.exclude(pk__in=kept.values("order_id")).order_by("window_to", "pk")
    by_day = later.order_by("stop__route__day", "stop__place", "pk")
    return Left(
        list(by_day.select_related("stop__route", "stop__site", "order__treatment_unit")),
        list(named.select_related("treatment_unit", "site")),
    )


@transaction.atomic
def leave(who: Technician, *, last_on: date, today: date, by: Person | None, now: datetime) -> Left:
    """Let a technician go: no route after the last day; what stands on one is open work again, promises kept.

    Orders that name the technician name nobody. The log-in is shut once the last day has passed. Returns what
    was freed. Raises DomainError for a last day before the first, or one with stops finished after it.
    """
    who = Technician.objects.select_for_update(of=("self",)).select_related("person").get(pk=who.pk)
    if who.works_from is not None and last_on < who.works_from:
        raise DomainError(
            message("{name} begins on {works_from:%d %b %Y}.", name=who.name, works_from=who.works_from),
            remedy=message("Give that day or a later one."),
            field="last_on",
        )
    done = Route.objects.filter(Route.FINISHED, technician=who, is_in_force=True, day__gt=last_on).first()
    if done is not None:
        raise DomainError(
            message("{name} has finished stops on {day:%d %b %Y}.", name=who.name, day=done.day),
            remedy=message("Give that day or a later one as the last."),
            field="last_on",
        )
    left = left_behind(who, last_on)
    routes = Route.objects.filter(technician=who, is_in_force=True, day__gt=last_on)
    ids = [link.order_id for link in left.stops]
    states.release(ids, message("{name} has left.", name=who.name), at=now, by=by)
    StopOrder.objects.filter(pk__in=[link.pk for link in left.stops]).update(is_in_force=False)
    routes.update(is_in_force=False)
    named = WorkOrder.objects.filter(pk__in=[order.pk for order in left.preferred])
    named.update(preferred_technician=None, changed_at=now)
    who.last_on, who.is_active = last_on, last_on >= today
    who.save(update_fields=["last_on", "is_active"])
    told = message(
        "last day {last_on:%d %b %Y}; {stops} orders off routes, {named} no longer theirs by name",
        last_on=last_on, stops=len(left.stops), named=len(left.preferred),
    )  # fmt: skip
    audit.note(
        message("technician leaves"), area=AuditArea.PEOPLE, about=who.name, detail=told, by=by, now=now
    )
    if not who.is_active:
        _shut_log_in(who, by, now)
    return left


@transaction.atomic
def stay(who: Technician, *, by: Person | None, now: datetime) -> None:
    """Take a last day back. What was freed stays open work; a log-in that was shut stays shut."""
    who = Technician.objects.select_for_update().get(pk=who.pk)
    who.last_on, who.is_active = None, True
    who.save(update_fields=["last_on", "is_active"])
    _note(message("technician stays"), who, "", by, now)


def end_last_days(*, today: date, now: datetime) -> int:
    """Retire the technicians whose last day has passed and shut their log-ins. Safe to run twice."""
    gone = Technician.objects.filter(is_active=True, last_on__lt=today)
    count = 0
    for pk in list(gone.values_list("pk", flat=True)):
        with transaction.atomic():
            who = gone.select_for_update(of=("self",)).select_related("person").filter(pk=pk).first()
            if who is not None:
                who.is_active = False
                who.save(update_fields=["is_active"])
                _shut_log_in(who, None, now)
                count += 1
    return count


def _note(what: str, who: Technician, detail: str, by: Person | None, now: datetime) -> None:
    audit.note(what, area=AuditArea.PEOPLE, about=who.name, detail=detail, by=by, now=now)


def _shut_log_in(who: Technician, by: Person | None, now: datetime) -> None:
    if who.person is not None and who.person.is_active:
        deactivate(who.person, by=by, now=now)
        end_sessions(who.person, keep_key=None, by=by, now=now)
