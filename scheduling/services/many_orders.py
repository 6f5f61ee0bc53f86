"""One decision over many orders or treatment units: all of it or nothing."""

import uuid
from collections.abc import Sequence
from datetime import date, datetime
from typing import Final

from django.db import transaction

from fleet.models import Person, TreatmentUnit
from scheduling.models import WorkOrder
from scheduling.services import work_orders
from shared.errors import CannotDo

MOST_AT_ONCE: Final = 500


@transaction.atomic
def withdraw_many(orders: Sequence[WorkOrder], *, by: Person, reason: str, now: datetime) -> list[int]:
    """Withdraw every order for one reason. Raises CannotDo, naming the order, and withdraws none."""
    _check_count(len(orders), "order")
    return [work_orders.withdraw(order, by=by, reason=reason, now=now).pk for order in orders]


@transaction.atomic
def reopen_many(orders: Sequence[WorkOrder], *, by: Person, reason: str, now: datetime) -> list[int]:
    """Open every order again. Raises CannotDo, naming the order, and opens none."""
    _check_count(len(orders), "order")
    return [work_orders.reopen(order, by=by, reason=reason, now=now).pk for order in orders]


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
    _check_count(len(units), "treatment unit")
    return [
        work_orders.raise_one_off(
            treatment_unit=unit, why=why, window_from=window_from, window_to=window_to, minutes=minutes,
            client_id=uuid.uuid5(client_id, unit.serial), by=by, now=now,
        ).pk
        for unit in units
    ]  # fmt: skip


def _check_count(count: int, what: str) -> None:
    if not count:
        raise CannotDo(f"No {what} is chosen.", remedy="Tick at least one in the list.")
    if count > MOST_AT_ONCE:
        raise CannotDo(f"{count} are too many at once.", remedy=f"Choose at most {MOST_AT_ONCE}.")
