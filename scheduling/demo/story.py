"""The demo's run from spreadsheet to revenue, through the same services as the real thing."""

from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from fleet.assessment import runs
from fleet.assessment.days import to_days
from fleet.assessment.learning import learn_lives
from fleet.assessment.use_rules import learn_use
from fleet.models import Branch, PartKind, Person, TreatmentUnit
from fleet.people.audit import Actor
from fleet.register import catalogue
from scheduling.billing import revenue
from scheduling.crew import calendar, calendar_entries
from scheduling.demo import first_day
from scheduling.demo.catalogue import SIZES
from scheduling.demo.company import company_sheets
from scheduling.demo.people import make_people
from scheduling.models import RouteProposal, StockPlace
from scheduling.orders import raising
from scheduling.register import walk
from scheduling.routes import proposals, publishing
from scheduling.stock import movements
from scheduling.stock.movements import set_up_places
from scheduling.workbook.importing import import_workbook
from shared.errors import DomainError
from shared.periods import local_day

ZONE = "America/Chicago"
BEFORE_WORK = time(6)
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
    set_up_office(now, today, planner)
    # What a night and a planner did before the vans left; before six o'clock it is done just now.
    morning = min(now, datetime.combine(today, BEFORE_WORK, ZoneInfo(ZONE)))
    say("Assessing use, wear, due dates, performance, readiness …")
    runs.assess_fleet(morning)
    say("Learning lives and the swing of use from the fleet, and assessing with that …")
    learned = learn_lives(to_days(morning))
    learn_use(morning)
    run = runs.assess_fleet(morning)
    say("Raising work …")
    raised = raising.raise_work(now=morning)
    say("Planning today …")
    plan_days(today, 1, plan_seconds / 4, planner, morning)
    tomorrow = today + timedelta(days=1)
    days = (next_monday(today) + timedelta(days=5) - tomorrow).days
    say(f"Planning from tomorrow to the end of next week, {days} days …")
    proposal = plan_days(tomorrow, days, plan_seconds, planner, morning)
    say("Closing the first half of today's stops …")
    first_day.lend_log_in(today)
    closed = first_day.close_first_half(today, now)
    say("Entering revenue …")
    earned = revenue.enter_revenue(through=today, now=now)
    return {
        "sheets": sheets, "people": people, "run": run, "learned": learned, "raised": raised,
        "proposal": proposal, "closed": closed, "earned": earned,
    }  # fmt: skip


def plan_days(first_on: date, days: int, seconds: float, planner: Person, now: datetime) -> RouteProposal:
    """Plan days and put the plan in force."""
    proposal = proposals.propose(first_on=first_on, days=days, seconds=seconds, seed=1, by=planner, now=now)
    return publishing.publish(proposal, by=planner, now=now)


def set_up_office(now: datetime, today: date, planner: Person) -> None:
    """Fill in what no sheet brings: unit models, holidays, a new customer half entered, work today."""
    actor = Actor(planner, now)
    for size in SIZES:
        units = TreatmentUnit.objects.filter(design_permeate_gpm=size.permeate_gpm)
        name = f"Size {size.code}, {size.permeate_gpm * 1440:,.0f} gal/day (invented)"
        model = catalogue.model_from_unit(units.first(), code=f"RO-{size.code}", name=name, actor=actor)
        units.update(unit_model=model)
    calendar_entries.set_region(None, country="US", subdivision="", by=planner, now=now)
    for branch in Branch.objects.all():
        if today in calendar.days_off(branch, [today]):
            calendar_entries.set_day(
                branch, today, is_worked=True, reason="standby (invented)", by=planner, now=now
            )
    begun = {"name": ["Juniper Laundry (invented)"], "phone": ["555-0190"], "contact": ["Ada Quill"]}
    walk.keep_draft(planner, begun, shown_at=now, now=now)


def fill_shelves(now: datetime, planner: Person) -> None:
    """Put an invented first stock on the depot's shelf and every van."""
    set_up_places(None)
    for place in StockPlace.objects.order_by("code"):
        for kind in PartKind.objects.order_by("code"):
            pieces = VAN_PIECES.get(kind.role, 2) * (1 if place.technician_id else 6)
            key = f"demo:{place.code}:{kind.code}"
            movements.put(place, kind, pieces, at=now, lot=f"L{now:%y%m}-1", by=planner, cause_key=key)
