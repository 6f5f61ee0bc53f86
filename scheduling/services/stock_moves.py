"""What people do with stock: set places up, receive, move, correct a count. Each may be sent twice."""

import uuid
from datetime import datetime

from django.db import transaction
from django.db.models import Q

from fleet.models import Branch, PartKind, Person
from scheduling.models import StockMovement, StockPlace, Technician
from scheduling.services import stock
from shared.errors import CannotDo
from shared.roles import Permission

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
        _place(f"van-{technician.code}", f"Van of {technician.name}", technician.branch, technician)
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
    """Enter parts that came in. Raises CannotDo for a place that is not theirs or no sensible number."""
    _check(by, place, quantity)
    return stock.put(
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

    A technician moves between the own van and a shelf of the own branch. Raises CannotDo otherwise, or when
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
    stock.carry(
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

    Raises CannotDo for a count below zero, no reason, or a place that is not theirs.
    """
    if not may_change(by, place):
        raise _not_theirs(place)
    if not 0 <= counted <= MOST:
        raise CannotDo(f"{counted} is no count.", remedy=f"Enter 0 to {MOST:,}.", field="counted")
    if not reason.strip():
        raise CannotDo(
            "A count is corrected with a reason.", remedy="Say why it differs, e.g. counted, broken, lost.",
            field="reason",
        )  # fmt: skip
    return stock.count(
        place, kind, counted, at=now, lot=lot.strip(), by=by, cause_key=f"count:{client_id}",
        note=f"Counted {counted}: {reason.strip()}",
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
        raise CannotDo(f"{quantity} parts can't be moved.", remedy=f"Enter 1 to {MOST:,}.", field="quantity")


def _not_theirs(place: StockPlace) -> CannotDo:
    return CannotDo(
        f"{place} is not yours to change.", remedy="Ask the office, or the technician whose van it is."
    )
