"""Parts on shelves and vans. Every change is a movement; a level is their sum and never negative.

What people do with stock: set places up, receive, move, correct a count. Each may be sent twice.
"""

import uuid
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import F, Q

from fleet.models import Branch, PartKind, Person
from scheduling.models import CloseOut, StockLevel, StockMovement, StockPlace, Technician
from shared.errors import DomainError
from shared.messages import message
from shared.roles import Permission


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

    The same ``cause_key`` again changes nothing. Raises DomainError when there are not that many to take.
    """
    level, _ = StockLevel.objects.select_for_update().get_or_create(place=place, kind=kind, lot=lot)
    # Asked once nobody else can be writing the same.
    known = StockMovement.objects.filter(cause_key=cause_key).first() if cause_key else None
    if known is not None:
        return known
    enough = StockLevel.objects.filter(pk=level.pk, quantity__gte=-more)
    if not enough.update(quantity=F("quantity") + more):
        level.refresh_from_db()
        raise DomainError(
            message(
                "{place} holds {quantity} × {kind}{lot}, not {more}.",
                place=place,
                quantity=level.quantity,
                kind=kind,
                lot=message(" of lot {lot}", lot=lot) if lot else "",
                more=-more,
            ),
            remedy=message("Count the place and enter the count, or take them from another place."),
            field="quantity",
        )
    return StockMovement.objects.create(
        place=place, kind=kind, lot=lot, quantity=more, at=at, by=by, close_out=close_out,
        cause_key=cause_key or f"by_hand:{uuid.uuid4()}", note=note,
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
        raise DomainError(
            message("The parts are there already."),
            remedy=message("Choose two different places."),
            field="to_place",
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

    The same ``cause_key`` again changes nothing. Raises DomainError for a count below zero.
    """
    if quantity < 0:
        raise DomainError(
            message("A count can't be negative."), remedy=message("Enter 0 or more."), field="quantity"
        )
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
            except DomainError:
                continue
            return ""
    return message(
        "{van} held no {kind}{lot} on paper; count the van.",
        van=van,
        kind=kind,
        lot=message(" of lot {lot}", lot=lot) if lot else "",
    )


def give_back(close_out: CloseOut, *, at: datetime, by: Person | None) -> None:
    """Turn the movements of a close-out round."""
    for movement in close_out.movements.filter(quantity__lt=0).select_related("place", "kind"):
        put(
            movement.place, movement.kind, -movement.quantity, at=at, lot=movement.lot, by=by,
            close_out=close_out, cause_key=f"undo:{movement.cause_key}", note=message("close-out undone"),
        )  # fmt: skip


def _refuse_less_than_one(quantity: int) -> None:
    if quantity < 1:
        raise DomainError(
            message("{quantity} parts can't be moved.", quantity=quantity),
            remedy=message("Enter 1 or more."),
            field="quantity",
        )


MOST = 10_000
"""More parts than this in one movement are a slip."""


def may_change(person: Person, place: StockPlace) -> bool:
    """Say whether a person may move parts here: the office in its branch, a technician on the own van."""
    if person.may(Permission.MANAGE_WORK):
        return person.branch_id in (None, place.branch_id)
    return place.technician_id is not None and place.technician.person_id == person.pk


@transaction.atomic
def set_up_places(branch_id: int | None) -> int:
    """Make a shelf for each branch and a van for each active technician that has none. Returns how many."""
    only = Q(pk=branch_id) if branch_id else Q()
    made = 0
    for branch in Branch.objects.filter(only):
        if not StockPlace.objects.filter(branch=branch, technician__isnull=True).exists():
            _place(f"shelf-{branch.code}", f"Shelf, {branch.name}", branch)
            made += 1
    people = Technician.objects.filter(is_active=True, van__isnull=True).select_related("branch")
    for technician in people.filter(branch_id=branch_id) if branch_id else people:
        _place(
            f"van-{technician.code}",
            f"Van of {technician.name}",
            technician.branch,
            technician,
        )
        made += 1
    return made


def receive(
    place: StockPlace,
    kind: PartKind,
    quantity: int,
    *,
    lot: str,
    note: str = "",
    client_id: uuid.UUID,
    by: Person,
    now: datetime,
) -> StockMovement:
    """Enter parts that came in. Raises DomainError for a place that is not theirs or no sensible number."""
    _check(by, place, quantity)
    return put(
        place, kind, quantity, at=now, lot=lot.strip(), by=by, cause_key=f"receive:{client_id}",
        note=note.strip() or "received",
    )  # fmt: skip


def move(
    kind: PartKind,
    quantity: int,
    *,
    from_place: StockPlace,
    to_place: StockPlace,
    lot: str,
    client_id: uuid.UUID,
    by: Person,
    now: datetime,
) -> None:
    """Carry parts from one place to another, e.g. from the shelf to a van.

    A technician moves between the own van and a shelf of the own branch. Raises DomainError otherwise, or
    when
    there are not that many.
    """
    if not (may_change(by, from_place) or may_change(by, to_place)):
        raise _not_theirs(from_place)
    if from_place.branch_id != to_place.branch_id and not by.may(Permission.MANAGE_WORK):
        raise _not_theirs(to_place)
    for place in (from_place, to_place):
        if place.technician_id is not None and not may_change(by, place):
            raise _not_theirs(place)
    _check_number(quantity)
    carry(
        kind, quantity, from_place=from_place, to_place=to_place, at=now, lot=lot.strip(), by=by,
        client_id=client_id,
    )  # fmt: skip


def correct_count(
    place: StockPlace,
    kind: PartKind,
    counted: int,
    *,
    lot: str,
    reason: str,
    client_id: uuid.UUID,
    by: Person,
    now: datetime,
) -> StockMovement | None:
    """Enter what was counted; the difference becomes a movement with its reason. None where it agrees.

    Raises DomainError for a count below zero, no reason, or a place that is not theirs.
    """
    if not may_change(by, place):
        raise _not_theirs(place)
    if not 0 <= counted <= MOST:
        raise DomainError(
            message("{counted} is no count.", counted=counted),
            remedy=message("Enter 0 to {most:,}.", most=MOST),
            field="counted",
        )
    if not reason.strip():
        raise DomainError(
            message("A count is corrected with a reason."),
            remedy=message("Say why it differs, e.g. counted, broken, lost."),
            field="reason",
        )
    return count(
        place, kind, counted, at=now, lot=lot.strip(), by=by, cause_key=f"count:{client_id}",
        note=message("Counted {counted}: {reason}", counted=counted, reason=reason.strip()),
    )  # fmt: skip


def _place(code: str, name: str, branch: Branch, technician: Technician | None = None) -> None:
    taken = StockPlace.objects.filter(code=code[:40]).exists()
    StockPlace.objects.create(
        code=f"{code[:31]}-{uuid.uuid4().hex[:8]}" if taken else code[:40],
        name=name[:120],
        branch=branch,
        technician=technician,
    )


def _check(by: Person, place: StockPlace, quantity: int) -> None:
    if not may_change(by, place):
        raise _not_theirs(place)
    _check_number(quantity)


def _check_number(quantity: int) -> None:
    if not 1 <= quantity <= MOST:
        raise DomainError(
            message("{quantity} parts can't be moved.", quantity=quantity),
            remedy=message("Enter 1 to {most:,}.", most=MOST),
            field="quantity",
        )


def _not_theirs(place: StockPlace) -> DomainError:
    return DomainError(
        message("{place} is not yours to change.", place=place),
        remedy=message("Ask the office, or the technician whose van it is."),
    )
