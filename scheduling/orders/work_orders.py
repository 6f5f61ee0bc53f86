"""Work orders: raised from findings and plans, by hand, or as a second flush; withdrawn; reopened.

One decision over many orders or treatment units: all of it or nothing.

Safe to run twice, to die half-way and to run beside itself: the one-standing-order-per-cause constraint is
the last guard, and whoever comes second writes nothing.
"""

import uuid
from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from typing import Final

from django.db import IntegrityError, transaction

from fleet.models import Part, PartKind, Person, TreatmentUnit
from scheduling.models import OrderState, Skill, Technician, WorkOrder, WorkOrderPart
from scheduling.orders import contents, states
from scheduling.orders.contents import SET_UP_MINUTES
from scheduling.orders.kinds import BY_HAND, SECOND_FLUSH
from shared.errors import DomainError
from shared.messages import message
from shared.periods import local_day
from shared.translation import label_of


@transaction.atomic
def withdraw(order: WorkOrder, *, by: Person | None, reason: str, now: datetime) -> WorkOrder:
    """Withdraw a standing order for a reason. Raises DomainError when it is over, or no reason is given."""
    if not reason.strip():
        raise DomainError(
            message("{order} can't be withdrawn without a reason.", order=order),
            remedy=message("Say why in a few words."),
            field="reason",
        )
    if not states.withdraw_all([order.pk], reason.strip(), now, by):
        order.refresh_from_db()
        raise DomainError(
            message(
                "{order} is {state} already.", order=order, state=label_of(OrderState, order.state).lower()
            ),
            remedy=message("Reload the order; only open orders and orders on a route can be withdrawn."),
        )
    order.refresh_from_db()
    return order


@transaction.atomic
def reopen(order: WorkOrder, *, by: Person | None, reason: str, now: datetime) -> WorkOrder:
    """Open a withdrawn order again, e.g. because its work was done before the withdrawal was known."""
    if not reason.strip():
        raise DomainError(
            message("{order} can't be reopened without a reason.", order=order),
            remedy=message("Say why in a few words."),
        )
    standing = WorkOrder.objects.open().filter(cause_key=order.cause_key).exclude(pk=order.pk).first()
    if standing is not None:
        raise DomainError(
            message(
                "{order} has been followed by {standing} for the same cause.", order=order, standing=standing
            ),
            remedy=message("Work on {standing}.", standing=standing),
        )
    changed = WorkOrder.objects.filter(pk=order.pk, state=OrderState.WITHDRAWN).update(
        state=OrderState.OPEN, ended_at=None, withdrawn_because="", changed_at=now
    )
    if not changed:
        raise DomainError(
            message("{order} is not withdrawn.", order=order),
            remedy=message(
                "Only a withdrawn order can be reopened; undo a close-out to reopen a finished one."
            ),
        )
    states.note(order, message("reopened"), reason.strip(), at=now, by=by)
    order.refresh_from_db()
    return order


@transaction.atomic
def raise_one_off(
    *,
    treatment_unit: TreatmentUnit,
    why: str,
    window_from: date,
    window_to: date,
    by: Person | None,
    now: datetime,
    minutes: int | None = None,
    parts: Iterable[tuple[PartKind, int]] = (),
    skills: Iterable[Skill] = (),
    preferred_technician: Technician | None = None,
    promised_on: date | None = None,
    strength: float = 0.5,
    client_id: uuid.UUID | None = None,
) -> WorkOrder:
    """Raise work that no finding asks for. The same ``client_id`` again returns the order it made.

    Raises DomainError for an empty reason, a window in the past or upside down, or no minutes.
    """
    today = local_day(now, treatment_unit.site.time_zone)
    _check_one_off(why, window_from, window_to, minutes, promised_on, today)
    cause_key = f"one_off:{client_id or uuid.uuid4()}"
    known = WorkOrder.objects.filter(cause_key=cause_key).first()
    if known is not None:
        return known
    order = WorkOrder.objects.create(
        kind=BY_HAND.kind,
        cause_key=cause_key,
        treatment_unit=treatment_unit,
        site_id=treatment_unit.site_id,
        why=why.strip(),
        strength=strength,
        window_from=max(window_from, today),
        window_to=window_to,
        likely_on=promised_on,
        promised_on=promised_on,
        minutes=minutes or SET_UP_MINUTES + BY_HAND.minutes,
        preferred_technician=preferred_technician,
        raised_at=now,
        changed_at=now,
    )
    order.skills.set(skills)
    for part_kind, quantity in parts:
        WorkOrderPart.objects.create(order=order, kind=part_kind, quantity=quantity)
    states.note(order, message("raised"), why.strip(), at=now, by=by)
    return order


def raise_follow_up(
    order: WorkOrder, technician: Technician, *, part: Part | None, started_on: date, now: datetime
) -> WorkOrder:
    """Raise tomorrow's second flush after a bed was left overnight, for the same technician if possible.

    Its cause is the one the assessment will name, so that the finding joins this order.
    """
    part_id = part.pk if part else 0
    cause_key = f"reflush_required:unit:{order.treatment_unit_id}:bedded_overnight:part:{part_id}"
    usual = contents.USUAL
    flush_minutes = round(usual.carbon_flush_gal / usual.flush_gpm)
    values = {
        "kind": SECOND_FLUSH.kind,
        "treatment_unit_id": order.treatment_unit_id,
        "site_id": order.site_id,
        "part": part,
        "follows": order,
        "why": message(
            "Bed left standing overnight on {started_on:%d %b %Y}; its second flush is due the next day.",
            started_on=started_on,
        ),
        "numbers": {
            "owed": "bedded_overnight",
            "flush_gal": usual.carbon_flush_gal,
            "flush_minutes": flush_minutes,
        },
        "strength": 1.0,
        "window_from": started_on + timedelta(days=1),
        "best_by_on": started_on + timedelta(days=1),
        "window_to": started_on + timedelta(days=2),
        "likely_on": started_on + timedelta(days=1),
        "minutes": SET_UP_MINUTES + flush_minutes,
        "flush_minutes": flush_minutes,
        "preferred_technician": technician,
        "raised_at": now,
        "changed_at": now,
    }
    try:
        with transaction.atomic():
            follow_up = WorkOrder.objects.create(cause_key=cause_key, **values)
    except IntegrityError:
        follow_up = WorkOrder.objects.open().get(cause_key=cause_key)
        WorkOrder.objects.filter(pk=follow_up.pk).update(follows=order, preferred_technician=technician)
        return follow_up
    states.note(follow_up, message("raised"), message("Follows {order}.", order=order), at=now)
    return follow_up


def _check_one_off(
    why: str, window_from: date, window_to: date, minutes: int | None, promised_on: date | None, today: date
) -> None:
    if not why.strip():
        raise DomainError(
            message("The order does not say what is to be done."),
            remedy=message("Fill in the reason."),
            field="why",
        )
    if window_to < max(window_from, today):
        raise DomainError(
            message(
                "The window ends on {window_to:%d %b %Y}, before it begins or before today.",
                window_to=window_to,
            ),
            remedy=message("Choose a last day that is still to come."),
            field="window_to",
        )
    if minutes is not None and not 0 < minutes <= 1440:
        raise DomainError(
            message("{minutes} minutes can't be planned.", minutes=minutes),
            remedy=message("Give 1 to 1440 minutes."),
            field="minutes",
        )
    if promised_on is not None and promised_on < today:
        raise DomainError(
            message("The promised day {promised_on:%d %b %Y} has passed.", promised_on=promised_on),
            remedy=message("Promise a day that is still to come."),
            field="promised_on",
        )


MOST_AT_ONCE: Final = 500


@transaction.atomic
def withdraw_many(orders: Sequence[WorkOrder], *, by: Person, reason: str, now: datetime) -> list[int]:
    """Withdraw every order for one reason. Raises DomainError, naming the order, and withdraws none."""
    _check_count(len(orders), "order")
    return [withdraw(order, by=by, reason=reason, now=now).pk for order in orders]


@transaction.atomic
def reopen_many(orders: Sequence[WorkOrder], *, by: Person, reason: str, now: datetime) -> list[int]:
    """Open every order again. Raises DomainError, naming the order, and opens none."""
    _check_count(len(orders), "order")
    return [reopen(order, by=by, reason=reason, now=now).pk for order in orders]


@transaction.atomic
def raise_for_many(
    units: Sequence[TreatmentUnit],
    *,
    why: str,
    window_from: date,
    window_to: date,
    minutes: int,
    client_id: uuid.UUID,
    by: Person,
    now: datetime,
) -> list[int]:
    """Raise the same one-off work at every treatment unit; a second press with the same id adds nothing."""
    _check_count(len(units), message("treatment unit"))
    return [
        raise_one_off(
            treatment_unit=unit, why=why, window_from=window_from, window_to=window_to, minutes=minutes,
            client_id=uuid.uuid5(client_id, unit.serial), by=by, now=now,
        ).pk
        for unit in units
    ]  # fmt: skip


def _check_count(count: int, what: str) -> None:
    if not count:
        raise DomainError(
            message("No {what} is chosen.", what=what), remedy=message("Tick at least one in the list.")
        )
    if count > MOST_AT_ONCE:
        raise DomainError(
            message("{count} are too many at once.", count=count),
            remedy=message("Choose at most {most_at_once}.", most_at_once=MOST_AT_ONCE),
        )
