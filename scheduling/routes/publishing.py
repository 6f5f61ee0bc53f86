"""Puts a proposal's routes in force, all or none, and takes them back."""

from datetime import datetime

from django.db import transaction
from django.db.models import Q, QuerySet

from fleet.models import Branch, Person, WebhookKind
from scheduling.crew.calendar import days_away
from scheduling.models import OrderState, ProposalState, Route, RouteProposal, StopOrder, WorkOrder
from scheduling.orders import states
from scheduling.routes.stored import refuse_broken
from shared.errors import DomainError
from shared.messages import message
from shared.periods import local_day
from shared.translation import label_of


@transaction.atomic
def publish(proposal: RouteProposal, *, by: Person | None, now: datetime) -> RouteProposal:
    """Put a proposal's routes in force, all or none. Publishing it again changes nothing.

    Routes in force on the same days are set aside and their orders opened, unless they hold finished stops:
    those days stay. Raises DomainError, naming the order or the day, when the world has moved on since: our
    own
    checker looks at the plan once more against today's promises, pins, shifts, skills and hours.
    """
    row = RouteProposal.objects.select_for_update().get(pk=proposal.pk)
    if row.state == ProposalState.PUBLISHED:
        return row
    if row.state != ProposalState.READY:
        raise DomainError(
            message("Proposal {pk} is {state}.", pk=row.pk, state=label_of(ProposalState, row.state).lower()),
            remedy=message("Only a plan that is ready can be published; create a new one."),
        )
    _refuse_published_meanwhile(row, by)
    _set_old_routes_aside(row, by, now)
    release_missed(now=now)
    placed = StopOrder.objects.filter(stop__route__proposal=row)
    _claim(placed, by, now)
    placed.update(is_in_force=True)
    row.routes.update(is_in_force=True)
    row.state, row.published_at = ProposalState.PUBLISHED, now
    row.save(update_fields=["state", "published_at"])
    refuse_broken(row, now)
    states.tell_routes(WebhookKind.ROUTE_PUBLISHED, row, now)
    return row


@transaction.atomic
def unpublish(proposal: RouteProposal, *, by: Person | None, now: datetime) -> RouteProposal:
    """Take a published plan back: its orders are open again. Raises DomainError once a stop is finished."""
    row = RouteProposal.objects.select_for_update().get(pk=proposal.pk)
    if row.state != ProposalState.PUBLISHED:
        raise DomainError(
            message("Proposal {pk} is not published.", pk=row.pk),
            remedy=message("There is nothing to take back."),
        )
    done = row.routes.filter(Route.FINISHED, is_in_force=True).select_related("technician").first()
    if done is not None:
        raise DomainError(
            message(
                "{name}'s route of {day:%d %b} has finished stops.", name=done.technician.name, day=done.day
            ),
            remedy=message("Propose and publish the days that are left instead."),
        )
    orders = StopOrder.objects.filter(stop__route__proposal=row, is_in_force=True)
    states.release(
        list(orders.values_list("order_id", flat=True)),
        message("Plan {pk} was unpublished.", pk=row.pk),
        at=now,
        by=by,
    )
    StopOrder.objects.filter(stop__route__proposal=row).update(is_in_force=False)
    row.routes.update(is_in_force=False)
    row.state, row.published_at = ProposalState.READY, None
    row.save(update_fields=["state", "published_at"])
    states.tell_routes(WebhookKind.ROUTE_TAKEN_BACK, row, now)
    return row


@transaction.atomic
def release_missed(*, now: datetime) -> int:
    """Open the orders that stand on a route of a day gone by: nobody got there. Returns how many.

    A report that comes in later still closes them.
    """
    links = StopOrder.objects.filter(is_in_force=True, order__state=OrderState.ON_ROUTE)
    ids: list[int] = []
    for branch in Branch.objects.all():
        today = local_day(now, branch.time_zone)
        missed = links.filter(stop__route__technician__branch=branch, stop__route__day__lt=today)
        ids += missed.values_list("order_id", flat=True)
    return states.release(ids, message("Its day went by without a visit."), at=now)


def _refuse_published_meanwhile(row: RouteProposal, by: Person | None) -> None:
    """Tell a planner of a plan for these days that somebody else published after this one was made."""
    others = RouteProposal.objects.filter(
        state=ProposalState.PUBLISHED, published_at__gt=row.made_at, routes__is_in_force=True,
        routes__day__range=(row.first_on, row.last_on),
    ).exclude(Q(pk=row.pk) | Q(made_by=by))  # fmt: skip
    if row.branch_id:
        others = others.filter(routes__technician__branch_id=row.branch_id)
    other = others.select_related("made_by").order_by("-published_at").first()
    if other is not None:
        raise DomainError(
            message(
                "Plan {pk}, made by {maker}, was published for these days after yours was made.",
                pk=other.pk,
                maker=other.maker,
            ),
            remedy=message("Look at that plan; then propose again, which keeps what it promises."),
        )


def _set_old_routes_aside(row: RouteProposal, by: Person | None, now: datetime) -> None:
    old = Route.objects.filter(is_in_force=True, day__range=(row.first_on, row.last_on)).exclude(proposal=row)
    if row.branch_id:
        old = old.filter(technician__branch_id=row.branch_id)
    old_ids = set(old.values_list("pk", flat=True))
    kept = {route.pk: route for route in _staying(old, now)}
    for route in kept.values():
        if row.routes.filter(technician_id=route.technician_id, day=route.day).exists():
            raise DomainError(
                message(
                    "{name}'s route of {day:%d %b} has had stops finished, or has been "
                    "under way, since this was proposed.",
                    name=route.technician.name,
                    day=route.day,
                ),
                remedy=message("Propose again; what is done or under way will be left as it is."),
            )
    _take_over(row, list(kept), by, now)
    gone = sorted(old_ids - set(kept))
    orders = StopOrder.objects.filter(stop__route_id__in=gone, is_in_force=True)
    states.release(
        list(orders.values_list("order_id", flat=True)),
        message("Its route was replaced by plan {pk}.", pk=row.pk),
        at=now,
        by=by,
    )
    StopOrder.objects.filter(stop__route_id__in=gone, is_in_force=True).update(is_in_force=False)
    Route.objects.filter(pk__in=gone).update(is_in_force=False)


def _staying(routes: QuerySet[Route], now: datetime) -> list[Route]:
    """Return the routes that stay in force: with finished stops, or under way by somebody not absent."""
    finished = set(routes.filter(Route.FINISHED).values_list("pk", flat=True))
    rows = list(routes.filter(Route.FINISHED | Q(leaves_at__lte=now)).select_related("technician").distinct())
    away = (
        days_away({row.technician_id for row in rows}, sorted({row.day for row in rows})) if rows else set()
    )
    return [row for row in rows if row.pk in finished or (row.technician_id, row.day) not in away]


def _take_over(row: RouteProposal, kept: list[int], by: Person | None, now: datetime) -> None:
    """Free what this plan gives to others from routes that stay: the rest of a day somebody fell ill on."""
    known = StopOrder.objects.filter(stop__route__proposal=row).values("order_id")
    left = row.unplaced.values("order_id")
    taken = StopOrder.objects.filter(stop__route_id__in=kept, is_in_force=True).filter(
        Q(order_id__in=known) | Q(order_id__in=left)
    )
    ids = list(taken.values_list("order_id", flat=True))
    states.release(ids, message("Taken over by plan {pk}.", pk=row.pk), at=now, by=by)


def _claim(placed: QuerySet[StopOrder], by: Person | None, now: datetime) -> None:
    """Take every placed order from open to on a route, and count. Raises DomainError naming one not open."""
    wanted = list(placed.values_list("order_id", flat=True))
    claimed = WorkOrder.objects.filter(state=OrderState.OPEN, pk__in=placed.values("order_id")).update(
        state=OrderState.ON_ROUTE, changed_at=now
    )
    if claimed != len(wanted):
        ours = Q(state=OrderState.ON_ROUTE, changed_at=now) & ~Q(stops__is_in_force=True)
        lost = WorkOrder.objects.filter(pk__in=placed.values("order_id")).exclude(ours).first()
        told = (
            message("{lost} is {state}", lost=lost, state=label_of(OrderState, lost.state).lower())
            if lost
            else message("An order is no longer open")
        )
        raise DomainError(
            message("{told} since this was proposed.", told=told),
            remedy=message("Propose again; it takes a minute and knows the change."),
        )
    states.note_all(wanted, message("put on a route"), "", at=now, by=by)
