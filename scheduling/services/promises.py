"""A day promised to the customer for an order, or taken back."""

from datetime import date, datetime

from django.db import transaction

from fleet.models import Person
from scheduling.models import WorkOrder
from scheduling.services import order_states
from shared.errors import CannotDo
from shared.periods import local_day


@transaction.atomic
def promise(order: WorkOrder, *, promised_on: date | None, by: Person | None, now: datetime) -> WorkOrder:
    """Promise a day for a standing order, or none. Raises CannotDo when it is over or the day has passed."""
    today = local_day(now, order.site.time_zone)
    if promised_on is not None and promised_on < today:
        raise CannotDo(
            f"The promised day {promised_on:%d %b %Y} has passed.",
            remedy="Promise a day that is still to come.",
            field="promised_on",
        )
    standing = WorkOrder.objects.standing().filter(pk=order.pk)
    if not standing.update(promised_on=promised_on, changed_at=now):
        order.refresh_from_db()
        raise CannotDo(
            f"{order} is {order.get_state_display().lower()} already.",
            remedy="Only what is still to be done can be promised.",
        )
    if promised_on is None:
        order_states.note(order, "promise taken back", "", at=now, by=by)
    else:
        order_states.note(order, "promised", f"For {promised_on:%d %b %Y}.", at=now, by=by)
    order.refresh_from_db()
    return order
