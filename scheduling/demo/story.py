"""The demo's run from spreadsheet to revenue, through the same services as the real thing."""

import uuid
from collections.abc import Callable
from datetime import date, datetime, timedelta

from fleet.assessment import runs
from fleet.assessment.days import to_days
from fleet.assessment.learning import learn_lives
from fleet.assessment.use_rules import learn_use
from fleet.models import PartKind, Person
from scheduling.billing import revenue
from scheduling.demo.company import company_sheets
from scheduling.demo.people import make_people
from scheduling.models import OrderKind, RouteProposal, StockPlace, StopOrder, WorkOrder
from scheduling.orders import raising, steps
from scheduling.routes import proposals, publishing
from scheduling.stock import movements
from scheduling.stock.movements import set_up_places
from scheduling.visits import checks, close_out
from scheduling.workbook.importing import import_workbook
from shared.errors import DomainError
from shared.periods import local_day

ZONE = "America/Chicago"
CLOSED_STOPS = 3
VAN_PIECES = {"sediment": 6, "carbon": 4, "catalytic_carbon": 3, "membrane": 1}
"""Pieces of each kind that an invented van carries; two of anything else."""


def next_monday(today: date) -> date:
    """Return the first day of next week."""
    return today + timedelta(days=7 - today.weekday())


def tell(now: datetime, say: Callable[[str], None], plan_seconds: float) -> dict:
    """Run the whole line once and return what came of each stage."""
    today = local_day(now, ZONE)
    say("Inventing a company: 250 treatment units on 180 sites, 14 months of readings …")
    sheets = company_sheets(today)
    say("Bringing the spreadsheet in …")
    report = import_workbook(sheets, accept_good_rows=False, now=now)
    if report.problems:
        first = "\n".join(str(problem) for problem in report.problems[:5])
        raise DomainError(f"The demo's own spreadsheet was refused:\n{first}", remedy="Mend the rows named.")
    people = make_people()
    planner = Person.objects.get(username="planner")
    fill_shelves(now, planner)
    say("Assessing use, wear, due dates, performance, readiness …")
    runs.assess_fleet(now)
    say("Learning lives and the swing of use from the fleet, and assessing with that …")
    learned = learn_lives(to_days(now))
    learn_use(now)
    run = runs.assess_fleet(now)
    say("Raising work …")
    raised = raising.raise_work(now=now)
    tomorrow = today + timedelta(days=1)
    days = (next_monday(today) + timedelta(days=5) - tomorrow).days
    say(f"Planning from tomorrow to the end of next week, {days} days …")
    proposal = proposals.propose(
        first_on=tomorrow, days=days, branch=None, seconds=plan_seconds, seed=1, by=planner, now=now
    )
    publishing.publish(proposal, by=planner, now=now)
    say("Closing the first stops …")
    closed = close_first_stops(proposal, now)
    say("Entering revenue …")
    earned = revenue.enter_revenue(through=today, now=now)
    return {
        "sheets": sheets, "people": people, "run": run, "learned": learned, "raised": raised,
        "proposal": proposal, "closed": closed, "earned": earned,
    }  # fmt: skip


def fill_shelves(now: datetime, planner: Person) -> None:
    """Put an invented first stock on the depot's shelf and every van."""
    set_up_places(None)
    for place in StockPlace.objects.order_by("code"):
        for kind in PartKind.objects.order_by("code"):
            pieces = VAN_PIECES.get(kind.role, 2) * (1 if place.technician_id else 6)
            key = f"demo:{place.code}:{kind.code}"
            movements.put(place, kind, pieces, at=now, lot=f"L{now:%y%m}-1", by=planner, cause_key=key)


def close_first_stops(proposal: RouteProposal, now: datetime) -> list[str]:
    """Close the first change orders of the week as their technician would; say what was done."""
    done = []
    placed = StopOrder.objects.filter(
        stop__route__proposal=proposal, is_in_force=True, order__kind=OrderKind.CHANGE_DUE
    ).select_related("order__part__position", "order__part__kind", "stop__route__technician")
    for placed_order in placed.order_by("stop__route__day", "stop__starts_at", "id")[:CLOSED_STOPS]:
        order, stop = placed_order.order, placed_order.stop
        close_out.close_out(
            change_form(order, stop.route.technician_id, now), by=stop.route.technician.person, now=now
        )
        done.append(f"{order.treatment_unit.serial}: {order.part.kind.name} changed")
    return done


def change_form(order: WorkOrder, technician_id: int, now: datetime) -> checks.CloseOutForm:
    """Return the form of a plain part change: old out as worn, new in, flushed to clear."""
    kind: PartKind = order.part.kind
    flush = None
    if kind.needs_flush:
        flush = checks.FlushForm(volume_gal=kind.flush_gal or 25, minutes=20, ran_clear=True)
    return checks.CloseOutForm(
        client_id=uuid.uuid4(),
        order_id=order.id,
        technician_id=technician_id,
        outcome="done",
        finished_at=now,
        minutes=order.minutes,
        steps=steps.all_done(order.kind),
        part_changes=[
            checks.PartChange(
                position_code=order.part.position.code,
                removal_reason="worn",
                kind_code=kind.code,
                lot=f"L{now:%y%m}-1",
            )
        ],
        flush=flush,
        note="Demo close-out (invented).",
    )
