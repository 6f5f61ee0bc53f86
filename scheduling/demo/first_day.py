"""The demo's day as it stands when the pages are opened: the first half of each route is closed out."""

import uuid
from datetime import date, datetime

from django.db.models import Count

from fleet.models import PartKind, Person
from scheduling.models import NotDoneBecause, Outcome, Route, Stop, Technician, WorkOrder
from scheduling.orders import steps
from scheduling.orders.kinds import Closing
from scheduling.visits import checks, close_out

NOTE = "Inlet valve weeps a little at the stem; bring a packing kit next time (invented)."
BLIND_METER = "The glass of the register is blind, so it can't be read (invented)."
SHUT = "Shop shut, nobody answered the phone; they open at two (invented)."


def lend_log_in(day: date) -> None:
    """Let the technician's log-in be of whoever has most stops that day."""
    route = _routes(day).first()
    if route is not None:
        person = Person.objects.get(username="technician")
        person.first_name, _, person.last_name = route.technician.name.partition(" ")
        person.save(update_fields=["first_name", "last_name"])
        Technician.objects.filter(pk=route.technician_id).update(person=person)


def close_first_half(day: date, now: datetime) -> list[str]:
    """Report the first half of each route of a day; one stop could not be done."""
    told = []
    for number, route in enumerate(_routes(day)):
        stops = list(route.stops.select_related("site").order_by("place"))
        half = stops[: (len(stops) + 1) // 2]
        for place, stop in enumerate(half):
            is_shut = number == 0 and 0 < place == len(half) - 1
            orders = _report(stop, route.technician, now, note="" if place else NOTE, is_shut=is_shut)
            word = "could not be done" if is_shut else "done"
            told.append(f"{route.technician.name} at {stop.site.name}: {orders} orders {word}")
    return told


def _routes(day: date):
    """Return the routes of a day, the one with most stops first."""
    routes = Route.objects.filter(day=day, is_in_force=True).select_related("technician__person")
    return routes.annotate(stop_count=Count("stops")).order_by("-stop_count", "technician__code")


def _report(stop: Stop, technician: Technician, now: datetime, *, note: str, is_shut: bool) -> int:
    """Report one stop as its technician would, at its planned time or now; return how many orders."""
    orders = [
        placed.order
        for placed in stop.orders.filter(is_in_force=True).select_related(
            "order__part__position", "order__part__kind"
        )
    ]
    client_id, finished_at = uuid.uuid4(), min(stop.leaves_at, now)
    results = []
    for order in orders:
        told = (
            {"not_done_because": NotDoneBecause.NOBODY_THERE, "note": SHUT}
            if is_shut
            else _work(order, now, note)
        )
        results.append(
            checks.CloseOutForm(
                client_id=checks.result_number(client_id, order.pk),
                order_id=order.pk,
                technician_id=technician.pk,
                outcome=Outcome.NOT_DONE if is_shut else Outcome.DONE,
                finished_at=finished_at,
                minutes=0 if is_shut else order.minutes,
                **told,
            )
        )
    close_out.record_visit(checks.VisitForm(client_id, results), by=technician.person, now=now)
    return len(orders)


def _work(order: WorkOrder, now: datetime, note: str) -> dict:
    """Return what is told of plain work: the old part out as worn, the new one in, flushed to clear."""
    told: dict = {"steps": steps.all_done(order.kind), "note": note}
    closing = order.work_kind.closing
    kind: PartKind | None = order.part.kind if order.part_id else None
    if closing is Closing.NEW_PART and kind is not None:
        change = checks.PartChange(
            position_code=order.part.position.code,
            removal_reason="worn",
            kind_code=kind.code,
            lot=f"L{now:%y%m}-1",
        )
        told["part_changes"] = [change]
    if closing is Closing.FLUSH or (closing is Closing.NEW_PART and kind is not None and kind.needs_flush):
        gallons = (kind.flush_gal if kind else None) or 25
        told["flush"] = checks.FlushForm(volume_gal=gallons, minutes=20, ran_clear=True)
    if closing is Closing.METER:
        told["note"] = BLIND_METER
    return told
