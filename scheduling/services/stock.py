"""Parts on shelves and vans. Every change is a movement; a level is their sum and never negative."""

import uuid
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import F

from fleet.models import PartKind, Person
from scheduling.models import CloseOut, StockLevel, StockMovement, StockPlace, Technician
from shared.errors import CannotDo


@transaction.atomic
def change(
    place: StockPlace,
    kind: PartKind,
    more: int,
    *,
    at: datetime,
    lot: str = "",
    by: Person | None = None,
    close_out: CloseOut | None = None,
    cause_key: str = "",
    note: str = "",
) -> StockMovement:
    """Change what a place holds by ``more`` parts, less than 0 to take some: the one way stock moves.

    The same ``cause_key`` again changes nothing. Raises CannotDo when there are not that many to take.
    """
    known = StockMovement.objects.filter(cause_key=cause_key).first() if cause_key else None
    if known is not None:
        return known
    level, _ = StockLevel.objects.get_or_create(place=place, kind=kind, lot=lot)
    enough = StockLevel.objects.filter(pk=level.pk, quantity__gte=-more)
    if not enough.update(quantity=F("quantity") + more):
        level.refresh_from_db()
        raise CannotDo(
            f"{place} holds {level.quantity} × {kind}{f' of lot {lot}' if lot else ''}, not {-more}.",
            remedy="Count the place and enter the count, or take them from another place.",
            field="quantity",
        )
    return StockMovement.objects.create(
        place=place, kind=kind, lot=lot, quantity=more, at=at, by=by, close_out=close_out,
        cause_key=cause_key or f"by_hand:{uuid.uuid4()}", note=note[:160],
    )  # fmt: skip


def put(place: StockPlace, kind: PartKind, quantity: int, *, at: datetime, **given: Any) -> StockMovement:
    """Bring parts to a place. Takes what ``change`` takes."""
    _refuse_less_than_one(quantity)
    return change(place, kind, quantity, at=at, **given)


def take(place: StockPlace, kind: PartKind, quantity: int, *, at: datetime, **given: Any) -> StockMovement:
    """Take parts from a place. Takes what ``change`` takes."""
    _refuse_less_than_one(quantity)
    return change(place, kind, -quantity, at=at, **given)


@transaction.atomic
def carry(
    kind: PartKind,
    quantity: int,
    *,
    from_place: StockPlace,
    to_place: StockPlace,
    at: datetime,
    lot: str = "",
    by: Person | None = None,
    client_id: uuid.UUID | None = None,
) -> None:
    """Move parts from one place to another, e.g. load a van. The same ``client_id`` again changes nothing."""
    if from_place == to_place:
        raise CannotDo(
            "The parts are there already.", remedy="Choose two different places.", field="to_place"
        )
    key = f"carry:{client_id or uuid.uuid4()}"
    note = f"{from_place} → {to_place}"
    take(from_place, kind, quantity, at=at, lot=lot, by=by, cause_key=f"{key}:from", note=note)
    put(to_place, kind, quantity, at=at, lot=lot, by=by, cause_key=f"{key}:to", note=note)


@transaction.atomic
def count(
    place: StockPlace,
    kind: PartKind,
    quantity: int,
    *,
    at: datetime,
    lot: str = "",
    by: Person | None = None,
    cause_key: str = "",
    note: str = "counted",
) -> StockMovement | None:
    """Enter what was counted; the difference becomes a movement. Returns None where the count agrees.

    The same ``cause_key`` again changes nothing. Raises CannotDo for a count below zero.
    """
    if quantity < 0:
        raise CannotDo("A count can't be negative.", remedy="Enter 0 or more.", field="quantity")
    known = StockMovement.objects.filter(cause_key=cause_key).first() if cause_key else None
    if known is not None:
        return known
    StockLevel.objects.get_or_create(place=place, kind=kind, lot=lot)
    level = StockLevel.objects.select_for_update().get(place=place, kind=kind, lot=lot)
    more = quantity - level.quantity
    if more == 0:
        return None
    return change(place, kind, more, at=at, lot=lot, by=by, cause_key=cause_key, note=note)


def use_from_van(
    technician: Technician, kind: PartKind, lot: str, *, close_out: CloseOut, at: datetime, number: int
) -> str:
    """Take one part that was installed from the technician's van, and return what was short ("" if nothing).

    Work that is done is never refused for a count: what the van did not hold on paper is told to the planner.
    """
    van = StockPlace.objects.filter(technician=technician).first()
    if van is None or not StockLevel.objects.filter(place=van).exists():
        return ""
    key = f"close_out:{close_out.pk}:part:{number}"
    for chosen in dict.fromkeys([lot, ""]):
        held = StockLevel.objects.filter(place=van, kind=kind, lot=chosen, quantity__gte=1)
        if held.exists():
            try:
                take(
                    van, kind, 1, at=at, lot=chosen, by=technician.person, close_out=close_out, cause_key=key
                )
            except CannotDo:
                continue
            return ""
    return f"{van} held no {kind}{f' of lot {lot}' if lot else ''} on paper; count the van."


def give_back(close_out: CloseOut, *, at: datetime, by: Person | None) -> None:
    """Turn the movements of a close-out round."""
    for movement in close_out.movements.filter(quantity__lt=0).select_related("place", "kind"):
        put(
            movement.place, movement.kind, -movement.quantity, at=at, lot=movement.lot, by=by,
            close_out=close_out, cause_key=f"undo:{movement.cause_key}", note="close-out undone",
        )  # fmt: skip


def _refuse_less_than_one(quantity: int) -> None:
    if quantity < 1:
        raise CannotDo(f"{quantity} parts can't be moved.", remedy="Enter 1 or more.", field="quantity")
