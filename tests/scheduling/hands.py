"""A small crew with a plan, for the tests of moves by hand and of re-planning."""

from collections import Counter
from datetime import timedelta

from scheduling.models import OrderState, StopOrder, WorkOrder
from scheduling.routes import proposals, publishing
from tests import factories
from tests.factories import NOW, TODAY

TUESDAY = TODAY + timedelta(days=1)


def crew(people: int = 2, orders: int = 8, due_in_days: int = 3):
    """A branch in Chicago, its technicians in towns apart, and open orders at sites around each of them."""
    branch = factories.branch(time_zone="America/Chicago")
    technicians = [factories.technician(branch=branch, start_latitude=town(n)) for n in range(people)]
    work = [
        factories.work_order(
            factories.treatment_unit(site=factories.site(branch=branch, **place(n, people))),
            window_to=TODAY + timedelta(days=due_in_days),
        )
        for n in range(orders)
    ]
    return branch, technicians, work


def town(number):
    """Towns some 13 km apart in a row: the same in every run, whatever tests ran before."""
    return 41.0 + 0.12 * number


def place(number, towns):
    """Sites within 3 km of the towns, turn about."""
    turn = number // towns
    return {"latitude": town(number % towns) + 0.004 * turn, "longitude": -93.0 + 0.006 * (turn % 3 - 1)}


def due_on(day, orders):
    """Let orders be due on a day, so that a plan has them no later."""
    WorkOrder.objects.filter(pk__in=[order.pk for order in orders]).update(window_to=day)


def plan(branch, *, first_on=TUESDAY, days=2, now=NOW, is_published=False):
    """A worked-out proposal, published if asked."""
    row = proposals.propose(
        branch=branch, first_on=first_on, days=days, seconds=1, now=now, max_iterations=10
    )
    return publishing.publish(row, by=None, now=now) if is_published else row


def spot(row, order):
    """Where a proposal has an order: technician and day, or None."""
    link = StopOrder.objects.filter(stop__route__proposal=row, order=order).first()
    return (link.stop.route.technician, link.stop.route.day) if link else None


def layout(row):
    """Everything a proposal says, to the second and the word."""
    links = StopOrder.objects.filter(stop__route__proposal=row).order_by(
        "stop__route__day", "stop__route__technician", "stop__place", "pk"
    )
    placed = list(
        links.values_list(
            "order_id", "why", "is_in_force", "stop__place", "stop__arrives_at", "stop__starts_at",
            "stop__leaves_at", "stop__is_pinned", "stop__why", "stop__drive_minutes", "stop__route__day",
            "stop__route__technician_id", "stop__route__leaves_at", "stop__route__returns_at",
            "stop__route__lunch_at", "stop__route__is_in_force", "stop__route__drive_minutes",
        )
    )  # fmt: skip
    left = sorted(row.unplaced.values_list("order_id", "reason", "text"))
    return placed, left


def accounted(row):
    """How often each order is placed or left out."""
    placed = StopOrder.objects.filter(stop__route__proposal=row).values_list("order_id", flat=True)
    return Counter([*placed, *row.unplaced.values_list("order_id", flat=True)])


def nothing_is_doubled():
    """Every order on a route is in force exactly once, every other standing one nowhere."""
    for order in WorkOrder.objects.exclude(state=OrderState.DONE):
        in_force = order.stops.filter(is_in_force=True, stop__route__is_in_force=True).count()
        assert in_force == (1 if order.state == OrderState.ON_ROUTE else 0), order
