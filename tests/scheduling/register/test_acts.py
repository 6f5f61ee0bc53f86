"""What follows from acts on the register: for open work, routes, plans, notices and invoices."""

from datetime import date

import pytest

from fleet.models import AuditEntry
from fleet.people.audit import Actor
from fleet.register import sites
from scheduling.billing import invoicing
from scheduling.models import ClosedMonth, OrderState, RevenueEntry, WorkOrderEvent
from scheduling.orders import raising
from scheduling.register import acts
from tests import factories as make

pytestmark = pytest.mark.django_db
TODAY = make.TODAY


@pytest.fixture
def actor():
    return Actor(make.person("planner"), make.NOW)


@pytest.fixture
def unit():
    """A unit with a part, work for the part and work for the place, and a plan of its own."""
    made = make.treatment_unit(serial="TU-1")
    part = make.part(make.position(made, "carbon", 1))
    made.for_part = make.work_order(made, part=part)
    made.for_place = make.work_order(made, kind="one_off", why="A leak.")
    made.plan = make.plan(made.site, treatment_unit=made, starts_on=date(2026, 1, 1))
    return made


def states_of(unit):
    for order in (unit.for_part, unit.for_place):
        order.refresh_from_db()
    unit.plan.refresh_from_db()
    return unit.for_part.state, unit.for_place.state


def told(effects):
    return " ".join(effects)


def test_a_retired_unit_has_no_work_and_no_plan_and_gets_none_again(actor, unit):
    effects = told(acts.retire_effects(unit, make.NOW))
    assert f"W{unit.for_part.pk:06d}" in effects
    assert unit.plan.code in effects
    acts.retire_unit(unit, on=TODAY, because="Leaks.", actor=actor)
    assert states_of(unit) == (OrderState.WITHDRAWN, OrderState.WITHDRAWN)
    assert unit.plan.ends_on == TODAY
    assert AuditEntry.objects.filter(about=unit.plan.code, what="plan ended").exists()
    make.finding(unit)
    assert raising.raise_work(now=make.NOW).raised == {}


def test_work_about_the_place_and_the_plan_go_on_for_the_swapped_unit(actor, unit):
    new = acts.swap_unit(unit, serial="TU-2", on=TODAY, actor=actor)
    assert states_of(unit) == (OrderState.WITHDRAWN, OrderState.OPEN)
    assert (unit.for_place.treatment_unit, unit.plan.treatment_unit) == (new, new)
    assert unit.plan.ends_on is None
    assert WorkOrderEvent.objects.filter(order=unit.for_place, by=actor.person).exists()


@pytest.mark.parametrize("same_customer", [True, False])
def test_a_moved_units_work_goes_along_off_its_route_and_its_plan_where_the_customer_is_the_same(
    actor, unit, same_customer
):
    make.route(make.technician(), [unit.for_part])
    to = make.site(**({"customer": unit.site.customer} if same_customer else {}))
    assert "Taken off their routes" in told(acts.move_effects(unit, to, make.NOW))
    acts.move_unit(unit, to=to, on=TODAY, actor=actor, seen_site=unit.site_id)
    assert states_of(unit) == (OrderState.OPEN, OrderState.OPEN)
    assert (unit.for_part.site, unit.for_place.site) == (to, to)
    assert (unit.plan.site == to, unit.plan.ends_on) == (same_customer, None if same_customer else TODAY)


def test_what_was_earned_before_a_takeover_is_invoiced_to_the_former_customer(actor):
    site, new = make.site(), make.customer()
    former = site.customer
    for month, amount in ((date(2026, 9, 1), 10), (date(2026, 10, 1), 20)):
        RevenueEntry.objects.create(
            kind="work", cause_key=f"work:{month}", site=site, month=month, amount=amount, text="Work",
            entered_at=make.NOW,
        )  # fmt: skip
        ClosedMonth.objects.create(month=month, closed_at=make.NOW)
    sites.take_over_site(site, customer=new, from_on=date(2026, 10, 1), actor=actor, seen_customer=former.pk)
    batch = invoicing.make_batch(through=date(2026, 10, 1), currency="USD", by=None, now=make.NOW)
    lines = {line.month.month: line.customer_code for line in batch.lines.all()}
    assert lines == {9: former.code, 10: new.code}


def test_a_takeover_ends_plans_where_they_do_not_go_on(actor, unit):
    given = {"from_on": TODAY, "actor": actor, "seen_customer": unit.site.customer_id}
    acts.take_over_site(unit.site, customer=make.customer(), plans_go_on=False, **given)
    unit.plan.refresh_from_db()
    assert unit.plan.ends_on == TODAY


def test_a_site_closed_today_has_no_work_at_once(actor, unit):
    acts.close_site(unit.site, from_on=TODAY, actor=actor)
    assert states_of(unit) == (OrderState.WITHDRAWN, OrderState.WITHDRAWN)
