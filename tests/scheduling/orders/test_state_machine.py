"""Raise, plan, publish, close, undo, withdraw in any order: no order lost, none doubled, no stock below 0."""

import uuid
from datetime import timedelta

from django.db import transaction
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from fleet.models import Finding, FindingKind, Part
from scheduling.billing import revenue
from scheduling.models import (
    CloseOut,
    CloseOutPart,
    OrderState,
    Outcome,
    ProposalState,
    Route,
    RouteProposal,
    StockLevel,
    StockMovement,
    StopOrder,
    WorkOrder,
)
from scheduling.orders import raising, steps, work_orders
from scheduling.routes import publishing
from scheduling.visits.checks import CloseOutForm, FlushForm, PartChange
from scheduling.visits.close_out import close_out
from scheduling.visits.undo import undo
from tests import factories
from tests.factories import NOW, TODAY
from tests.refusals import may_refuse

UNITS = 3
PLENTY = 100
"""Parts that never run out, so that every one used can be counted."""
DAY = TODAY + timedelta(days=1)
WHICH = st.integers(0, 9)
RARELY = st.sampled_from([False, False, False, True])


class WorkGoesRound(RuleBasedStateMachine):
    """A small company with one technician; every step is one that people or the timetable may take."""

    def __init__(self):
        super().__init__()
        self.whole_run = transaction.atomic()
        self.whole_run.__enter__()

    def teardown(self):
        transaction.set_rollback(True)
        self.whole_run.__exit__(None, None, None)

    @initialize(stock=st.sampled_from([1, PLENTY]))
    def found(self, stock):
        self.now = NOW
        steps.ensure_step_sheets(NOW)
        branch = factories.branch()
        self.technician = factories.technician(branch=branch)
        self.planner = factories.person("planner")
        self.kind = factories.part_kind(needs_flush=True)
        self.level = factories.van(self.technician, self.kind, stock)
        site = factories.site(branch=branch)
        self.units = [factories.treatment_unit(site=site) for _ in range(UNITS)]
        for unit in self.units:
            factories.part(
                factories.position(unit, "carbon", 1), self.kind, installed_at=NOW - timedelta(200)
            )
        self.first_parts = set(Part.objects.values_list("pk", flat=True))
        self.sent: list[CloseOutForm] = []
        self.stock = stock
        for number in range(UNITS):
            self.find(number, 0.9)
        raising.raise_work(now=self.later())

    def later(self):
        self.now += timedelta(minutes=1)
        return self.now

    def pick(self, which, also_over):
        """Return one of the standing orders, or of all."""
        rows = WorkOrder.objects.all() if also_over else WorkOrder.objects.open()
        orders = list(rows.select_related("part").order_by("pk"))
        return orders[which % len(orders)] if orders else None

    def in_force(self):
        return set(StopOrder.objects.filter(is_in_force=True).values_list("pk", flat=True))

    def part(self, number):
        return Part.objects.in_place().select_related("position").get(treatment_unit=self.units[number])

    @rule(number=st.integers(0, UNITS - 1), strength=st.floats(0.8, 1.5))
    def find(self, number, strength):
        """Assessment finds a part due, or finds it again, stronger."""
        part, key = self.part(number), f"change_due:part:{self.part(number).pk}"
        standing = Finding.objects.filter(cause_key=key, gone_at__isnull=True)
        if not standing.update(strength=strength, changed_at=self.later()):
            factories.finding(self.units[number], FindingKind.CHANGE_DUE, part=part, cause_key=key,
                              strength=strength)  # fmt: skip

    @rule(number=st.integers(0, UNITS - 1))
    def lose_cause(self, number):
        Finding.objects.filter(treatment_unit=self.units[number], gone_at__isnull=True).update(
            gone_at=self.later(), gone_because="newer readings"
        )

    @rule()
    def raise_work(self):
        raising.raise_work(now=self.later())

    @rule(day=st.integers(0, 1), at_once=st.booleans())
    def propose(self, day, at_once):
        """Write a proposal as the planner would: all orders that may be placed, on one day."""
        orders = list(WorkOrder.objects.open().order_by("pk"))
        if orders:
            made = factories.route(self.technician, orders, DAY + timedelta(days=day), is_in_force=False)
            assert made.proposal.state == ProposalState.READY
            if at_once:
                self.publish()

    @precondition(lambda self: RouteProposal.objects.filter(state="ready").exists())
    @rule()
    def publish(self):
        row = RouteProposal.objects.filter(state="ready").order_by("-pk").first()
        before = self.in_force()
        done = False
        with may_refuse():
            publishing.publish(row, by=self.planner, now=self.later())
            done = True
        assert done or self.in_force() == before

    @precondition(lambda self: RouteProposal.objects.filter(state="published").exists())
    @rule()
    def take_back(self):
        row = RouteProposal.objects.filter(state="published").order_by("-pk").first()
        with may_refuse():
            publishing.unpublish(row, by=self.planner, now=self.later())

    @rule(outcome=st.sampled_from(["done", "bedding", "not_done"]), which=WHICH, also_over=RARELY)
    def close(self, outcome, which, also_over):
        order = self.pick(which, also_over)
        if order is None:
            return
        is_change = order.kind == "change_due"
        form = CloseOutForm(
            client_id=uuid.uuid4(), order_id=order.pk, technician_id=self.technician.pk,
            outcome=outcome if is_change or outcome == "not_done" else "done",
            finished_at=self.later(), minutes=30, steps=steps.all_done(order.kind),
            part_changes=[PartChange("carbon", "worn", self.kind.code)]
            if is_change and outcome != "not_done" else [],
            flush=FlushForm(20, 20, True) if outcome == "done" or (not is_change and outcome != "not_done")
            else None,
            note="nobody in" if outcome == "not_done" else "",
        )  # fmt: skip
        with may_refuse():
            close_out(form, by=self.planner, now=self.later())
            self.sent.append(form)

    @precondition(lambda self: self.sent)
    @rule(which=WHICH)
    def send_again(self, which):
        form = self.sent[which % len(self.sent)]
        before = CloseOut.objects.count(), Part.objects.count()
        assert close_out(form, by=self.planner, now=self.later()).client_id == form.client_id
        assert (CloseOut.objects.count(), Part.objects.count()) == before

    @precondition(lambda self: CloseOut.objects.exists())
    @rule(which=WHICH)
    def take_close_out_back(self, which):
        rows = sorted(CloseOut.objects.order_by("-pk"), key=lambda row: row.undone_at is not None)
        with may_refuse():
            undo(rows[which % len(rows)], by=self.planner, reason="typo", now=self.later())

    @rule(which=WHICH, also_over=RARELY)
    def withdraw(self, which, also_over):
        order = self.pick(which, also_over)
        if order is not None:
            with may_refuse():
                work_orders.withdraw(order, by=self.planner, reason="not now", now=self.later())

    @rule(which=WHICH)
    def reopen(self, which):
        orders = list(WorkOrder.objects.filter(state=OrderState.WITHDRAWN).order_by("-pk"))
        if orders:
            with may_refuse():
                order = orders[which % len(orders)]
                work_orders.reopen(order, by=self.planner, reason="after all", now=self.later())

    @rule()
    def enter_revenue(self):
        revenue.enter_revenue(through=TODAY, now=self.later())

    @invariant()
    def no_order_is_lost_or_doubled(self):
        standing = WorkOrder.objects.open().values_list("cause_key", flat=True)
        assert len(standing) == len(set(standing))
        for order in WorkOrder.objects.all():
            in_force = order.stops.filter(is_in_force=True).count()
            if order.state == OrderState.ON_ROUTE:
                assert in_force == 1
            elif order.state == OrderState.DONE:
                assert in_force <= 1
            else:
                assert in_force == 0
            finished = order.close_outs.filter(undone_at__isnull=True).exclude(outcome=Outcome.NOT_DONE)
            assert finished.count() == (order.state == OrderState.DONE)
            assert order.events.exists()

    @invariant()
    def a_stop_in_force_lies_on_a_route_in_force(self):
        loose = StopOrder.objects.filter(is_in_force=True, stop__route__is_in_force=False)
        assert not loose.exists()
        days = list(Route.objects.filter(is_in_force=True).values_list("technician", "day"))
        assert len(days) == len(set(days))

    @invariant()
    def stock_is_never_negative_and_adds_up(self):
        quantity = StockLevel.objects.get(pk=self.level.pk).quantity
        assert quantity >= 0
        assert quantity == self.stock + sum(StockMovement.objects.values_list("quantity", flat=True))
        if self.stock == PLENTY:
            used = CloseOutPart.objects.filter(close_out__undone_at__isnull=True, installed__isnull=False)
            assert quantity == PLENTY - used.count()

    @invariant()
    def every_life_that_started_has_its_close_out(self):
        started = set(Part.objects.exclude(pk__in=self.first_parts).values_list("pk", flat=True))
        assert started == set(CloseOutPart.objects.values_list("installed", flat=True))
        for number in range(UNITS):
            here = Part.objects.in_place().get(treatment_unit=self.units[number])
            standing = CloseOutPart.objects.filter(installed=here, close_out__undone_at__isnull=True)
            assert here.pk in self.first_parts or standing.count() == 1


def test_work_goes_round_without_losing_or_doubling_anything(db):
    run_state_machine_as_test(
        WorkGoesRound,
        settings=settings(max_examples=20, stateful_step_count=30, deadline=None, derandomize=True,
                          suppress_health_check=list(HealthCheck)),
    )  # fmt: skip
