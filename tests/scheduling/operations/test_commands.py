"""The commands and tasks: the same services, said in words or as data, harmless to run twice."""

import json
from datetime import timedelta
from io import StringIO

import pytest
import time_machine
from django.core.management import CommandError, call_command

from scheduling import tasks
from scheduling.models import OrderState, ProposalState, RevenueEntry, WorkOrder
from scheduling.routes import proposals
from scheduling.routes.tasks import propose_routes
from tests import factories
from tests.factories import NOW, TODAY

pytestmark = pytest.mark.django_db
TUESDAY = TODAY + timedelta(days=1)


@pytest.fixture(autouse=True)
def clock():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def due():
    branch = factories.branch()
    technician = factories.technician(branch=branch)
    unit = factories.treatment_unit(site=factories.site(branch=branch))
    return factories.finding(unit, late_on=TUESDAY), technician


def run(*words):
    out = StringIO()
    call_command(*words, stdout=out, stderr=StringIO())
    return out.getvalue()


def test_raise_work_says_what_it_raised_and_why(due):
    said = run("raise_work")
    assert "Raised 1 orders (1 change due)" in said
    assert "Carbon: 90% used." in said
    assert json.loads(run("raise_work", "--json"))["raised"] == {}


def test_plan_routes_says_who_goes_where_and_publishes_when_asked(due):
    run("raise_work")
    said = run("plan_routes", "--from", TUESDAY.isoformat(), "--days", "1", "--seconds", "1.5", "--publish")
    assert due[1].name in said
    assert "W0" in said
    assert WorkOrder.objects.get().state == OrderState.ON_ROUTE


def test_plan_routes_answers_programs_with_every_order_placed_or_left_out(due):
    run("raise_work")
    answer = json.loads(
        run("plan_routes", "--from", TUESDAY.isoformat(), "--days", "1", "--seconds", "1.5", "--json")
    )
    placed = [order for route in answer["routes"] for stop in route["stops"] for order in stop["orders"]]
    assert placed + [one["order"] for one in answer["unplaced"]] == [WorkOrder.objects.get().pk]


@pytest.mark.parametrize(
    ("words", "remedy"),
    [
        (["--from", "2026-10-01"], "Plan from today"),
        (["--from", "2026-11-03", "--branch", "nowhere"], "Known: "),
    ],
)
def test_a_plan_that_cannot_be_made_is_refused_with_its_remedy(due, words, remedy):
    with pytest.raises(CommandError, match=remedy):
        run("plan_routes", *words)


def test_the_tasks_may_run_twice(due):
    factories.plan(due[0].treatment_unit.site, starts_on=TODAY)
    for _ in range(2):
        tasks.raise_work()
        tasks.enter_revenue()
    assert WorkOrder.objects.count() == 1
    assert RevenueEntry.objects.count() == 1
    row = proposals.start(first_on=TUESDAY, days=1, seconds=1.5, now=NOW)
    for _ in range(2):
        propose_routes(proposal_id=row.pk)
    row.refresh_from_db()
    assert row.state == ProposalState.READY
    assert row.routes.count() == 1
