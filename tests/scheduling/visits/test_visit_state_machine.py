"""Visits sent twice, from two phones, half, by a wrong clock, with orders withdrawn, moved or done meanwhile.

Whatever the order of events: nothing is lost, nothing is written twice, who is refused is told what to do.
"""

import uuid
from dataclasses import replace
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

from fleet.models import Part
from scheduling.models import (
    STANDING_STATES,
    CloseOut,
    CloseOutPart,
    OrderState,
    Outcome,
    Route,
    StockLevel,
    StopOrder,
    Visit,
    WorkOrder,
)
from scheduling.orders import steps, work_orders
from scheduling.visits.checks import CloseOutForm, FlushForm, PartChange, VisitForm, result_number
from scheduling.visits.close_out import record_visit
from scheduling.visits.undo import undo
from shared.errors import DomainError
from tests import factories as make
from tests.refusals import may_refuse

CODES = ("sediment", "carbon")
STOCK = 200
WHICH = st.integers(0, 9)
PHONE = st.integers(0, 1)
OUTCOMES = st.lists(st.sampled_from(["done", "done", "done", "not_done", ""]), min_size=4, max_size=4)


def sent_by(form, now):
    """Return what was written, or why nothing was."""
    try:
        return record_visit(form, by=None, now=now), None
    except DomainError as error:
        return [], error


class VisitsGoWrong(RuleBasedStateMachine):
    """Two technicians with a phone each at one site of two units; their phones know only what they loaded."""

    def __init__(self):
        super().__init__()
        self.whole_run = transaction.atomic()
        self.whole_run.__enter__()

    def teardown(self):
        transaction.set_rollback(True)
        self.whole_run.__exit__(None, None, None)

    @initialize()
    def found(self):
        self.now = make.NOW
        steps.ensure_step_sheets(make.NOW)
        branch = make.branch()
        self.planner = make.person("planner")
        self.technicians = [make.technician(branch=branch) for _ in range(2)]
        self.kinds = {code: make.part_kind(role=code, needs_flush=code == "carbon") for code in CODES}
        self.levels = [make.van(one, kind, STOCK) for one in self.technicians for kind in self.kinds.values()]
        site = make.site(branch=branch)
        for _ in range(2):
            unit = make.treatment_unit(site=site)
            for place, (code, kind) in enumerate(self.kinds.items(), start=1):
                part = make.part(make.position(unit, code, place), kind)
                make.work_order(unit, part=part)
        self.first_parts = set(Part.objects.values_list("pk", flat=True))
        self.loaded: list[list[tuple[int, int]]] = [[], []]
        self.accepted: list[VisitForm] = []
        self.plan(0)

    def later(self, minutes=1):
        self.now += timedelta(minutes=minutes)
        return self.now

    def rows(self):
        """Return what a visit may write, as counts."""
        return [table.objects.count() for table in (Visit, CloseOut, CloseOutPart, Part)]

    @rule(phone=PHONE)
    def plan(self, phone):
        """The planner gives what stands to one technician, whoever had it."""
        orders = [one for one in WorkOrder.objects.all() if one.state in STANDING_STATES]
        if orders:
            self.take_off(orders)
            make.route(self.technicians[phone], orders)

    def take_off(self, orders):
        StopOrder.objects.filter(order__in=orders, is_in_force=True).update(is_in_force=False)
        Route.objects.filter(is_in_force=True).update(is_in_force=False)

    @rule(phone=PHONE)
    def load(self, phone):
        """A phone loads what stands, with the part it will find at each order."""
        standing = (
            WorkOrder.objects.filter(state__in=STANDING_STATES, kind="change_due")
            .order_by("pk")
            .select_related("part")
        )
        self.loaded[phone] = [
            (order.pk, Part.objects.in_place().get(position=order.part.position).pk) for order in standing
        ]

    def form(self, phone, outcomes, hours):
        number, finished_at = uuid.uuid4(), self.later() + timedelta(hours=hours)
        results = []
        for (pk, part_id), outcome in zip(self.loaded[phone], outcomes, strict=False):
            if not outcome:
                continue
            order = WorkOrder.objects.select_related("part__position").get(pk=pk)
            code, is_done = order.part.position.code, outcome == "done"
            change = PartChange(code, "worn", self.kinds[code].code, removed_part_id=part_id)
            results.append(CloseOutForm(
                client_id=result_number(number, pk), order_id=pk, technician_id=self.technicians[phone].pk,
                outcome=outcome, finished_at=finished_at, minutes=10, steps=steps.all_done(order.kind),
                part_changes=[change] if is_done else [],
                flush=FlushForm(20, 20, True) if is_done and code == "carbon" else None,
                not_done_because="" if is_done else "nobody_there",
            ))  # fmt: skip
        return VisitForm(number, results, started_at=self.now - timedelta(minutes=1))

    @rule(phone=PHONE, outcomes=OUTCOMES, hours=st.sampled_from([0, 0, 0, 0, 72, -72]))
    def send(self, phone, outcomes, hours):
        """A phone sends one visit, sometimes by a clock three days off: all of it is written, or nothing."""
        form, before = self.form(phone, outcomes, hours), self.rows()
        if not form.results:
            return
        rows, refusal = sent_by(form, self.later())
        if refusal is not None:
            assert refusal.remedy
            assert self.rows() == before
            return
        assert hours == 0, "a clock three days off is told"
        assert [row.order_id for row in rows] == [one.order_id for one in form.results]
        assert self.rows()[0] == before[0] + 1
        self.accepted.append(form)

    @precondition(lambda self: self.accepted)
    @rule(which=WHICH, half=st.booleans())
    def send_again(self, which, half):
        """The whole again, or a half of it, gives what stands."""
        form, before = self.accepted[which % len(self.accepted)], self.rows()
        sent = replace(form, results=form.results[:1]) if half else form
        rows = record_visit(sent, by=None, now=self.later())
        assert [row.client_id for row in rows] == [one.client_id for one in sent.results]
        assert self.rows() == before

    @precondition(lambda self: self.accepted)
    @rule(which=WHICH, grown=st.booleans())
    def send_otherwise(self, which, grown):
        """Other content, or another order, under a number that is known is refused and writes nothing."""
        form, before = self.accepted[which % len(self.accepted)], self.rows()
        first = form.results[0]
        more = [*form.results, replace(first, client_id=uuid.uuid4())]
        sent = replace(form, results=more if grown else [replace(first, minutes=11), *form.results[1:]])
        _, refusal = sent_by(sent, self.later())
        assert refusal is not None
        assert refusal.remedy
        assert self.rows() == before

    @rule(which=WHICH, back=st.booleans())
    def withdraw_or_reopen(self, which, back):
        states = [OrderState.WITHDRAWN] if back else STANDING_STATES
        orders = list(WorkOrder.objects.filter(state__in=states).order_by("pk"))
        if orders:
            act = work_orders.reopen if back else work_orders.withdraw
            with may_refuse():
                act(orders[which % len(orders)], by=self.planner, reason="as it is", now=self.later())

    @precondition(lambda self: self.accepted)
    @rule(which=WHICH)
    def take_back(self, which):
        rows = list(CloseOut.objects.filter(undone_at__isnull=True).order_by("-pk"))
        if rows:
            with may_refuse():
                undo(rows[which % len(rows)], by=self.planner, reason="typo", now=self.later())

    @invariant()
    def each_accepted_report_stands_once(self):
        numbers = [one.client_id for form in self.accepted for one in form.results]
        assert (
            CloseOut.objects.filter(client_id__in=numbers).count() == len(numbers) == CloseOut.objects.count()
        )
        assert Visit.objects.count() == len(self.accepted)

    @invariant()
    def an_order_is_done_by_one_standing_report(self):
        for order in WorkOrder.objects.exclude(cause_key__startswith="reflush"):
            standing = order.close_outs.filter(undone_at__isnull=True).exclude(outcome=Outcome.NOT_DONE)
            assert standing.count() == (order.state == OrderState.DONE)

    @invariant()
    def every_new_part_came_with_a_report_and_from_a_van(self):
        started = set(Part.objects.exclude(pk__in=self.first_parts).values_list("pk", flat=True))
        assert started == set(CloseOutPart.objects.values_list("installed_id", flat=True))
        assert Part.objects.in_place().count() == 2 * len(CODES)
        used = CloseOutPart.objects.filter(close_out__undone_at__isnull=True).count()
        lying = sum(
            StockLevel.objects.filter(pk__in=[one.pk for one in self.levels]).values_list(
                "quantity", flat=True
            )
        )
        assert lying == len(self.levels) * STOCK - used


def test_visits_that_cross_lose_nothing_and_write_nothing_twice(db):
    run_state_machine_as_test(
        VisitsGoWrong,
        settings=settings(max_examples=12, stateful_step_count=20, deadline=None, derandomize=True,
                          suppress_health_check=list(HealthCheck)),
    )  # fmt: skip
