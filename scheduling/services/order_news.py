"""What other programs are told of work orders and routes. Called by the services that change them."""

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from fleet.models import WebhookKind
from fleet.services import outbox
from scheduling.models import RouteProposal, WorkOrder, WorkOrderEvent

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
            outbox.announce(kind, [_told(orders[one.order_id], one) for one in part], now=part[0].at)


def tell_routes(kind: WebhookKind, proposal: RouteProposal, now: datetime) -> None:
    """Tell other programs that a plan is in force, or no longer."""
    told = outbox.Told(
        proposal.branch_id,
        {
            "plan_id": proposal.pk,
            "first_on": proposal.first_on.isoformat(),
            "last_on": proposal.last_on.isoformat(),
            "route_ids": list(proposal.routes.order_by("pk").values_list("pk", flat=True)),
        },
    )
    outbox.announce(kind, [told], now=now)


def _told(order: WorkOrder, event: WorkOrderEvent) -> outbox.Told:
    return outbox.Told(
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
