"""What other programs are told of work orders and routes. Called by the services that change them.

The few ways an order changes state, each a conditional update that is counted, each with its event.
"""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Final

from fleet.models import Person, WebhookKind
from fleet.webhooks import outbox
from scheduling.models import OrderState, RouteProposal, StopOrder, WorkOrder, WorkOrderEvent
from shared.messages import message

KINDS: Final = {
    "raised": WebhookKind.ORDER_RAISED,
    "withdrawn": WebhookKind.ORDER_WITHDRAWN,
    "closed out": WebhookKind.ORDER_CLOSED,
}
"""By what a line of the history says; every other line is a change."""
CHUNK: Final = 500


def tell(events: Sequence[WorkOrderEvent]) -> None:
    """Write what lines of orders' histories mean for other programs into the outbox."""
    by_kind: dict[WebhookKind, list[WorkOrderEvent]] = {}
    for event in events:
        by_kind.setdefault(KINDS.get(event.what, WebhookKind.ORDER_UPDATED), []).append(event)
    for kind, found in by_kind.items():
        if not outbox.listeners(kind):
            continue
        for start in range(0, len(found), CHUNK):
            part = found[start : start + CHUNK]
            orders = WorkOrder.objects.select_related("treatment_unit", "site").in_bulk(
                {event.order_id for event in part}
            )
            outbox.publish(kind, [_told(orders[one.order_id], one) for one in part], now=part[0].at)


def tell_routes(kind: WebhookKind, proposal: RouteProposal, now: datetime) -> None:
    """Tell other programs that a plan is in force, or no longer."""
    told = outbox.OutboxEvent(
        proposal.branch_id,
        {
            "plan_id": proposal.pk,
            "first_on": proposal.first_on.isoformat(),
            "last_on": proposal.last_on.isoformat(),
            "route_ids": list(proposal.routes.order_by("pk").values_list("pk", flat=True)),
        },
    )
    outbox.publish(kind, [told], now=now)


def _told(order: WorkOrder, event: WorkOrderEvent) -> outbox.OutboxEvent:
    return outbox.OutboxEvent(
        order.site.branch_id,
        {
            "order_id": order.pk,
            "kind": order.kind,
            "state": order.state,
            "treatment_unit_serial": order.treatment_unit.serial,
            "site_code": order.site.code,
            "why": order.why,
            "window_from": order.window_from.isoformat(),
            "window_to": order.window_to.isoformat(),
            "promised_on": order.promised_on.isoformat() if order.promised_on else None,
            "what": event.what,
            "detail": event.detail,
        },
    )


BATCH = 2000


def number_of(order_id: int) -> str:
    """Return an order's number as people read it."""
    return f"W{order_id:06d}"


def note(order: WorkOrder, what: str, detail: str, *, at: datetime, by: Person | None = None) -> None:
    """Add one line to an order's history."""
    write_events([WorkOrderEvent(order=order, what=what, detail=detail, at=at, by=by)])


def note_all(
    order_ids: Iterable[int], what: str, detail: str, *, at: datetime, by: Person | None = None
) -> None:
    """Add the same line to many orders' histories."""
    write_events([WorkOrderEvent(order_id=pk, what=what, detail=detail, at=at, by=by) for pk in order_ids])


def write_events(events: list[WorkOrderEvent]) -> None:
    """Add lines to orders' histories and tell other programs, together with what happened."""
    WorkOrderEvent.objects.bulk_create(events, batch_size=BATCH)
    tell(events)


def release(order_ids: list[int], why: str, *, at: datetime, by: Person | None = None) -> int:
    """Take orders off their routes and open them again. Returns how many were on one."""
    freed: list[int] = []
    for part in in_batches(order_ids):
        rows = WorkOrder.objects.filter(pk__in=part, state=OrderState.ON_ROUTE)
        ids = list(rows.select_for_update().values_list("pk", flat=True))
        WorkOrder.objects.filter(pk__in=ids).update(state=OrderState.OPEN, changed_at=at)
        StopOrder.objects.filter(order_id__in=ids, is_in_force=True).update(is_in_force=False)
        freed += ids
    note_all(freed, message("taken off its route"), why, at=at, by=by)
    return len(freed)


def withdraw_all(ids: list[int], because: str, now: datetime, by: Person | None) -> int:
    """Withdraw those still standing, take them off routes, say so. Returns how many."""
    done: list[int] = []
    for part in in_batches(ids):
        rows = WorkOrder.objects.open().filter(pk__in=part).select_for_update()
        standing = list(rows.order_by("pk").values_list("pk", flat=True))
        WorkOrder.objects.filter(pk__in=standing).update(
            state=OrderState.WITHDRAWN, ended_at=now, changed_at=now, withdrawn_because=because
        )
        StopOrder.objects.filter(order_id__in=standing, is_in_force=True).update(is_in_force=False)
        done += standing
    note_all(done, message("withdrawn"), because, at=now, by=by)
    return len(done)


def in_batches(ids: Iterable[int], size: int = 500) -> Iterable[list[int]]:
    """Cut ids into lists a database takes in one statement."""
    listed = list(ids)
    for start in range(0, len(listed), size):
        yield listed[start : start + size]
