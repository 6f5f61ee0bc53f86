"""Findings and promises become orders: once per cause, stronger when they are, gone when they are."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.db import IntegrityError, connection, transaction
from django.db.models import F
from django.test.utils import CaptureQueriesContext

from fleet.assessment import runs
from fleet.models import Finding, FindingKind, UnitState
from scheduling.contracts import plans
from scheduling.models import OrderKind, OrderState, StepSheet, WorkOrder, WorkOrderEvent, WorkOrderPart
from scheduling.orders import contents, raising, work_orders
from scheduling.orders.contents import DEFAULT_CHANGE_MINUTES, SET_UP_MINUTES
from scheduling.orders.kinds import WORK_KINDS
from shared.errors import DomainError
from shared.periods import days_late
from tests import factories
from tests.factories import NOW, TODAY

pytestmark = pytest.mark.django_db
ALL_KINDS = {
    FindingKind.CHANGE_DUE: OrderKind.CHANGE_DUE,
    FindingKind.REFLUSH_REQUIRED: OrderKind.REFLUSH_REQUIRED,
    FindingKind.PERFORMANCE_DECAY: OrderKind.PERFORMANCE_DECAY,
    FindingKind.METER_FAULT: OrderKind.READING,
    FindingKind.READING_WANTED: OrderKind.READING,
    FindingKind.FEED_TEST_DUE: OrderKind.FEED_TEST,
    FindingKind.CONTACT_TOO_SHORT: OrderKind.FEED_TEST,
}


def carbon_due(**given):
    """A finding that a carbon cartridge of 20 gal at 1 gpm is due."""
    unit = factories.treatment_unit()
    part = factories.part(factories.position(unit, "carbon", 1))
    return factories.finding(unit, part=part, cause_key=f"change_due:part:{part.pk}", **given)


def everything():
    return [
        list(WorkOrder.objects.order_by("pk").values()),
        list(WorkOrderEvent.objects.order_by("pk").values()),
        list(WorkOrderPart.objects.order_by("pk").values()),
        list(StepSheet.objects.order_by("pk").values()),
    ]


@pytest.mark.parametrize(("finding_kind", "order_kind"), ALL_KINDS.items())
def test_each_kind_of_finding_raises_its_kind_of_order(finding_kind, order_kind):
    found = factories.finding(factories.treatment_unit(), finding_kind)
    report = raising.raise_work(now=NOW)
    order = WorkOrder.objects.get()
    assert (order.kind, order.cause_key, order.finding) == (order_kind, found.cause_key, found)
    assert report.raised == {order_kind: 1}
    assert order.events.get().what == "raised"


def test_a_first_import_with_many_findings_is_raised_some_at_a_time_each_once(monkeypatch):
    monkeypatch.setattr(raising, "CHUNK", 2)
    findings = [carbon_due() for _ in range(7)]
    assert raising.raise_work(now=NOW).raised == {OrderKind.CHANGE_DUE: 7}
    assert raising.raise_work(now=NOW) == raising.RaiseReport()
    causes = WorkOrder.objects.order_by("cause_key").values_list("cause_key", flat=True)
    assert list(causes) == sorted(found.cause_key for found in findings)


def test_a_change_order_says_why_when_how_long_and_with_what():
    found = carbon_due(numbers={"seen_gal": 6800})
    raising.raise_work(now=NOW)
    order = WorkOrder.objects.get()
    assert order.why == found.why
    assert order.numbers["seen_gal"] == 6800
    dates = (order.window_from, order.best_by_on, order.window_to)
    assert dates == (TODAY, found.likely_on, found.likely_on)  # nothing said that waiting costs from a day on
    assert order.flush_minutes == 20  # 20 gal ÷ 1 gpm
    assert order.minutes == 10 + 20 + 20  # set-up, change, flush
    assert order.needed_parts.get().kind == found.part.kind


def test_raising_twice_changes_nothing():
    for kind in ALL_KINDS:
        factories.finding(factories.treatment_unit(), kind)
    factories.plan(factories.treatment_unit().site, visit_every_months=1)
    raising.raise_work(now=NOW)
    first = everything()
    report = raising.raise_work(now=NOW + timedelta(minutes=15))
    assert report == raising.RaiseReport()
    assert everything() == first


def finding_row(kind="change_due", **given):
    return {
        "kind": kind, "why": "Because.", "numbers": {}, "strength": 0.5, "not_before_on": None,
        "early_on": None, "likely_on": None, "late_on": None, "part__kind_id": 7,
        "part__kind__change_minutes": 35,
        "part__kind__needs_flush": True, "part__kind__flush_gal": 20, "part__kind__flush_gpm": 1.6,
    } | given  # fmt: skip


@pytest.mark.parametrize(
    ("given", "dates"),
    [
        ({}, (0, 0, 0)),
        # A change: its likely date is its limit, whatever lies behind; the policy's end is best by.
        ({"not_before_on": 1, "early_on": 2, "likely_on": 3, "late_on": 4}, (1, 3, 3)),
        ({"not_before_on": 1, "likely_on": 30, "not_after_on": 9}, (1, 9, 30)),
        ({"not_before_on": 1, "likely_on": 5, "not_after_on": 9}, (1, 5, 5)),
        ({"early_on": 2, "likely_on": 3}, (2, 3, 3)),
        ({"not_before_on": -90, "likely_on": -54, "late_on": 8, "not_after_on": -60}, (-90, -60, -54)),
        # All else: best by its likely, limit its late date.
        ({"kind": "feed_test_due", "not_before_on": 0, "likely_on": 45, "late_on": 90}, (0, 45, 90)),
        ({"kind": "reflush_required", "numbers": {"owed": "bedded_overnight"}, "early_on": 1}, (2, 2, 3)),
        ({"kind": "reflush_required", "numbers": {"owed": "bedded_overnight"}}, (1, 1, 2)),
        ({"kind": "reflush_required", "numbers": {"owed": "idle"}, "early_on": 1, "late_on": 4}, (1, 4, 4)),
    ],
)
def test_an_order_has_a_first_day_a_best_by_day_and_a_limit(given, dates):
    given = {name: TODAY + timedelta(days=at) if type(at) is int else at for name, at in given.items()}
    if not_after := given.pop("not_after_on", None):
        given["numbers"] = {"not_after_on": not_after.isoformat()}
    found = contents.two_dates(finding_row(**given), TODAY)
    assert tuple((day - TODAY).days for day in found) == dates


@pytest.mark.parametrize(
    ("given", "minutes"),
    [
        ({}, 12),  # 20 gal at 1.6 gpm, to the even minute
        ({"part__kind__flush_gal": None}, 16),
        ({"part__kind__flush_gpm": None}, 16),
        ({"part__kind__needs_flush": False}, 0),
        ({"kind": "reflush_required", "numbers": {"flush_minutes": 17.6}}, 18),
        ({"kind": "reflush_required", "numbers": {"flush_minutes": None}}, 20),
        ({"kind": "reading_wanted"}, 0),
    ],
)
def test_flushing_takes_its_volume_over_its_flow(given, minutes):
    assert contents.flush_minutes(finding_row(**given)) == minutes


def test_a_change_takes_getting_ready_the_change_and_the_flush():
    change = contents.from_finding(finding_row(), TODAY)
    assert (change.minutes, change.flush_minutes, change.part_kind_ids) == (
        SET_UP_MINUTES + 35 + 12,
        12,
        (7,),
    )
    unknown = contents.from_finding(finding_row(part__kind__change_minutes=None), TODAY)
    assert unknown.minutes == SET_UP_MINUTES + DEFAULT_CHANGE_MINUTES + 12
    reading = contents.from_finding(finding_row("reading_wanted"), TODAY)
    assert reading.minutes == SET_UP_MINUTES + WORK_KINDS[OrderKind.READING].minutes
    assert (reading.part_kind_ids, reading.numbers) == ((), {"cause": "reading_wanted"})


def test_what_was_spent_before_anybody_knew_is_late_from_its_first_day():
    carbon_due(
        not_before_on=TODAY - timedelta(days=60),
        early_on=TODAY - timedelta(days=50),
        likely_on=TODAY - timedelta(days=40),
        late_on=TODAY - timedelta(days=30),
    )
    raising.raise_work(now=NOW)
    order = WorkOrder.objects.late(TODAY).get()
    assert days_late(order.window_to, TODAY) == 40


@pytest.mark.parametrize(
    "dates", [{"early_on": 9, "likely_on": 8}, {"likely_on": 8, "late_on": 7}], ids=["early", "late"]
)
def test_the_database_refuses_dates_out_of_order(dates):
    found = carbon_due()
    days = {name: TODAY + timedelta(days=at) for name, at in dates.items()}
    with pytest.raises(IntegrityError), transaction.atomic():
        Finding.objects.filter(pk=found.pk).update(**days)
    raising.raise_work(now=NOW)
    with pytest.raises(IntegrityError), transaction.atomic():
        WorkOrder.objects.update(best_by_on=F("window_to") + timedelta(days=1))


@pytest.mark.parametrize(("limit", "days"), [(None, 0), (-1, 1), (0, 0), (1, 0), (-54, 54)])
def test_late_is_past_the_limit(limit, days):
    limit_on = None if limit is None else TODAY + timedelta(days=limit)
    assert days_late(limit_on, TODAY) == days


def test_a_second_flush_waits_for_the_day_after_the_bed_was_left():
    factories.finding(
        factories.treatment_unit(), FindingKind.REFLUSH_REQUIRED, early_on=TODAY, late_on=TODAY,
        numbers={"owed": "bedded_overnight", "flush_minutes": 20},
    )  # fmt: skip
    raising.raise_work(now=NOW)
    order = WorkOrder.objects.get()
    assert (order.window_from, order.window_to) == (TODAY + timedelta(days=1), TODAY + timedelta(days=2))


def test_a_stronger_finding_updates_its_order_and_the_history_says_so():
    found = carbon_due()
    raising.raise_work(now=NOW)
    Finding.objects.filter(pk=found.pk).update(
        strength=1.2, why="Carbon: 120% used.", early_on=TODAY, likely_on=TODAY + timedelta(days=3)
    )
    report = raising.raise_work(now=NOW + timedelta(days=1))
    order = WorkOrder.objects.get()
    assert report.strengthened == 1
    assert (order.strength, order.why) == (1.2, "Carbon: 120% used.")
    assert order.window_to == TODAY + timedelta(days=3)
    said = order.events.get(what="brought up to its finding").detail
    assert "0.90" in said
    assert "1.20" in said


def test_an_owed_flush_is_not_put_off_by_its_finding_growing_older():
    found = factories.finding(
        factories.treatment_unit(), FindingKind.REFLUSH_REQUIRED, late_on=TODAY + timedelta(days=2)
    )
    raising.raise_work(now=NOW)
    Finding.objects.filter(pk=found.pk).update(strength=1.5, late_on=TODAY + timedelta(days=9))
    raising.raise_work(now=NOW + timedelta(days=7))
    assert WorkOrder.objects.get().window_to == TODAY + timedelta(days=2)


def test_a_cause_that_vanished_withdraws_its_order_also_from_a_route():
    found = carbon_due()
    raising.raise_work(now=NOW)
    order = WorkOrder.objects.get()
    factories.route(factories.technician(), [order])
    Finding.objects.filter(pk=found.pk).update(gone_at=NOW, gone_because="newer readings put it off")
    report = raising.raise_work(now=NOW)
    order.refresh_from_db()
    assert report.withdrawn == 1
    assert (order.state, order.withdrawn_because) == (OrderState.WITHDRAWN, "newer readings put it off")
    assert not order.stops.filter(is_in_force=True).exists()


def test_a_cause_found_again_meanwhile_keeps_its_order():
    found = carbon_due()
    raising.raise_work(now=NOW)
    Finding.objects.filter(pk=found.pk).update(gone_at=NOW, gone_because="gone")
    again = factories.finding(
        found.treatment_unit, part=found.part, cause_key=found.cause_key, why="Carbon: 95% used."
    )
    report = raising.raise_work(now=NOW)
    order = WorkOrder.objects.get()
    assert (report.withdrawn, report.raised) == (0, {})
    assert (order.state, order.finding, order.why) == (OrderState.OPEN, again, "Carbon: 95% used.")


def test_orders_of_a_closed_site_are_withdrawn_and_none_raised():
    found = carbon_due()
    raising.raise_work(now=NOW)
    site = found.treatment_unit.site
    site.is_closed = True
    site.save()
    factories.finding(found.treatment_unit, FindingKind.READING_WANTED)
    raising.raise_work(now=NOW)
    assert WorkOrder.objects.get().withdrawn_because == "the site is closed"


def test_what_a_person_withdrew_is_not_raised_again_at_once():
    carbon_due()
    raising.raise_work(now=NOW)
    by = factories.person("planner")
    work_orders.withdraw(WorkOrder.objects.get(), by=by, reason="customer closes in May", now=NOW)
    raising.raise_work(now=NOW + timedelta(minutes=15))
    assert WorkOrder.objects.count() == 1
    raising.raise_work(now=NOW + timedelta(days=31))
    assert WorkOrder.objects.open().count() == 1


def test_work_done_is_not_raised_again_before_an_assessment_has_seen_it():
    found = carbon_due()
    raising.raise_work(now=NOW)
    WorkOrder.objects.update(state="done", ended_at=NOW + timedelta(hours=1))
    seen = UnitState.objects.create(treatment_unit=found.treatment_unit, assessed_at=NOW)
    raising.raise_work(now=NOW + timedelta(hours=2))
    assert WorkOrder.objects.count() == 1
    seen.assessed_at = NOW + timedelta(hours=1)
    seen.save()
    raising.raise_work(now=NOW + timedelta(hours=3))
    assert WorkOrder.objects.open().get().cause_key == found.cause_key


@pytest.mark.parametrize(
    ("kind", "state", "days"),
    [
        (FindingKind.PERFORMANCE_DECAY, "done", 14), (FindingKind.METER_FAULT, "done", 60),
        (FindingKind.READING_WANTED, "done", 3), (FindingKind.FEED_TEST_DUE, "done", 3),
        (FindingKind.CHANGE_DUE, "withdrawn", 30), (FindingKind.READING_WANTED, "withdrawn", 30),
        (FindingKind.REFLUSH_REQUIRED, "withdrawn", 1),
    ],
)  # fmt: skip
def test_each_finding_is_held_back_for_its_days_and_no_longer(kind, state, days):
    factories.finding(factories.treatment_unit(), kind)
    raising.raise_work(now=NOW)
    assert WorkOrder.objects.open().count() == 1
    WorkOrder.objects.update(state=state, ended_at=NOW, withdrawn_because="x" if state == "withdrawn" else "")
    over = NOW + timedelta(days=days)
    raising.raise_work(now=over - timedelta(seconds=1))
    assert not WorkOrder.objects.open().exists()
    raising.raise_work(now=over)
    assert WorkOrder.objects.open().count() == 1


def test_work_done_on_a_decaying_membrane_waits_for_new_readings_to_speak():
    found = factories.finding(factories.treatment_unit(), FindingKind.PERFORMANCE_DECAY)
    raising.raise_work(now=NOW)
    WorkOrder.objects.update(state="done", ended_at=NOW, finding=found)
    raising.raise_work(now=NOW + timedelta(days=13))
    assert WorkOrder.objects.count() == 1
    raising.raise_work(now=NOW + timedelta(days=15))
    assert WorkOrder.objects.count() == 2


@pytest.mark.parametrize("state", ["done", "withdrawn"])
def test_an_order_that_is_over_is_not_withdrawn(state):
    order = factories.work_order(factories.treatment_unit())
    WorkOrder.objects.update(state=state, ended_at=NOW, withdrawn_because="x" if state == "withdrawn" else "")
    with pytest.raises(DomainError, match="Reload the order"):
        work_orders.withdraw(order, by=None, reason="no", now=NOW)


def test_nothing_is_withdrawn_or_reopened_without_a_reason():
    order = factories.work_order(factories.treatment_unit())
    with pytest.raises(DomainError, match="Say why"):
        work_orders.withdraw(order, by=None, reason="  ", now=NOW)
    work_orders.withdraw(order, by=None, reason="wrong unit", now=NOW)
    with pytest.raises(DomainError, match="Say why"):
        work_orders.reopen(order, by=None, reason="", now=NOW)
    assert work_orders.reopen(order, by=None, reason="it was right", now=NOW).state == OrderState.OPEN
    with pytest.raises(DomainError, match="undo a close-out"):
        work_orders.reopen(order, by=None, reason="again", now=NOW)


def test_a_withdrawn_order_that_was_followed_is_not_reopened_beside_its_follower():
    order = factories.work_order(factories.treatment_unit())
    work_orders.withdraw(order, by=None, reason="wrong", now=NOW)
    follower = factories.work_order(order.treatment_unit, cause_key=order.cause_key)
    with pytest.raises(DomainError, match=f"Work on {follower}"):
        work_orders.reopen(order, by=None, reason="right", now=NOW)


def test_a_one_off_sent_twice_is_one_order():
    unit = factories.treatment_unit()
    number = "0e7b3b9e-6f0e-4d0e-9d0e-1f2f3f4f5f6f"
    made = [
        work_orders.raise_one_off(
            treatment_unit=unit, why="Move it to the cellar.", window_from=TODAY,
            window_to=TODAY + timedelta(days=5), by=None, now=NOW, client_id=number,
            parts=[(factories.part_kind(), 2)],
        ).pk
        for _ in range(2)
    ]  # fmt: skip
    assert made[0] == made[1]
    assert WorkOrder.objects.get().needed_parts.get().quantity == 2


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"why": " "}, "why"),
        ({"window_to": TODAY - timedelta(days=1)}, "window_to"),
        ({"window_from": TODAY + timedelta(days=9)}, "window_to"),
        ({"minutes": 0}, "minutes"),
        ({"minutes": 5000}, "minutes"),
        ({"promised_on": TODAY - timedelta(days=1)}, "promised_on"),
    ],
)
def test_a_one_off_that_cannot_be_names_the_field_and_the_remedy(change, field):
    good = {"why": "Look at it.", "window_from": TODAY, "window_to": TODAY + timedelta(days=5)}
    with pytest.raises(DomainError) as refusal:
        work_orders.raise_one_off(
            treatment_unit=factories.treatment_unit(), by=None, now=NOW, **good | change
        )
    assert refusal.value.field == field
    assert refusal.value.remedy
    assert not WorkOrder.objects.exists()


def test_a_promised_visit_is_raised_once_whatever_became_of_it():
    unit = factories.treatment_unit()
    plan = factories.plan(unit.site, visit_every_months=3, starts_on=date(2025, 2, 10))
    raising.raise_work(now=NOW)
    order = WorkOrder.objects.get()
    assert order.cause_key == f"plan_visit:plan:{plan.pk}:2026-11-10"
    assert (order.window_from, order.window_to) == (TODAY, date(2026, 11, 24))
    WorkOrder.objects.update(state="done", ended_at=NOW)
    raising.raise_work(now=NOW + timedelta(days=1))
    assert WorkOrder.objects.count() == 1
    raising.raise_work(now=NOW + timedelta(days=85))
    assert WorkOrder.objects.open().get().cause_key.endswith("2027-02-10")


@pytest.mark.parametrize(
    ("zone", "is_raised"), [("America/Chicago", True), ("Etc/UTC", False), ("Pacific/Auckland", False)]
)
def test_a_plan_promises_visits_through_its_last_evening_at_the_site(zone, is_raised):
    unit = factories.treatment_unit(site=factories.site(time_zone=zone))
    factories.plan(unit.site, visit_every_months=1, starts_on=date(2026, 1, 1), ends_on=date(2026, 11, 2))
    raising.raise_work(now=datetime(2026, 11, 2, 3, tzinfo=UTC))  # 21:00 on 1 November in Chicago
    assert WorkOrder.objects.exists() == is_raised


@pytest.mark.parametrize(("zone", "is_raised"), [("America/Chicago", False), ("Etc/UTC", True)])
def test_a_visit_is_raised_four_weeks_ahead_of_its_day_at_the_site(zone, is_raised):
    unit = factories.treatment_unit(site=factories.site(time_zone=zone))
    factories.plan(unit.site, visit_every_months=1, starts_on=date(2026, 10, 30))
    raising.raise_work(now=datetime(2026, 11, 2, 3, tzinfo=UTC))  # the visit is due on 30 November
    assert WorkOrder.objects.exists() == is_raised


def test_a_plan_that_came_in_late_is_not_sent_to_every_visit_of_the_past():
    unit = factories.treatment_unit()
    factories.plan(unit.site, visit_every_months=6, starts_on=date(2024, 3, 1))
    raising.raise_work(now=NOW)  # the last was due on 1 Sep
    assert not WorkOrder.objects.exists()


def test_a_promise_at_a_site_without_a_treatment_unit_is_told():
    factories.plan(factories.site(), visit_every_months=1, starts_on=date(2026, 10, 1))
    report = raising.raise_work(now=NOW)
    assert "has no treatment unit in service" in report.problems[0]


def test_a_visit_of_a_plan_that_ended_is_withdrawn():
    unit = factories.treatment_unit()
    plan = factories.plan(unit.site, visit_every_months=1, starts_on=date(2026, 1, 5))
    raising.raise_work(now=NOW)
    plan.ends_on = TODAY
    plan.save()
    raising.raise_work(now=NOW)
    assert WorkOrder.objects.get().withdrawn_because == "the plan has ended"


def test_a_day_that_a_month_lacks_falls_on_its_last():
    plan = factories.plan(factories.site(), visit_every_months=1, starts_on=date(2026, 1, 31))
    assert plans.due_on(plan, date(2026, 2, 3)) == date(2026, 2, 28)


def test_thousands_of_findings_take_few_queries():
    site = factories.site()
    units = [factories.treatment_unit(site=site) for _ in range(40)]
    Finding.objects.bulk_create(
        Finding(
            treatment_unit=units[n % 40], kind=FindingKind.READING_WANTED, cause_key=f"x:{n}", method="m",
            why="Silent.", likely_on=TODAY, late_on=TODAY, found_at=NOW, changed_at=NOW,
        )
        for n in range(2500)
    )  # fmt: skip
    with CaptureQueriesContext(connection) as asked:
        report = raising.raise_work(now=NOW)
    assert report.raised_total == 2500
    assert len(asked) < 2500 / 18  # SQLite takes some forty rows in one statement
    with CaptureQueriesContext(connection) as asked:
        assert raising.raise_work(now=NOW) == raising.RaiseReport()
    assert len(asked) < 20


def test_an_assessed_unit_gets_its_orders_and_keeps_them_through_a_second_night():
    factories.whole_unit()
    runs.assess_fleet(NOW)
    raising.raise_work(now=NOW)
    first = set(WorkOrder.objects.open().values_list("pk", "cause_key"))
    assert first
    runs.assess_fleet(NOW + timedelta(days=1))
    raising.raise_work(now=NOW + timedelta(days=1))
    assert first <= set(WorkOrder.objects.open().values_list("pk", "cause_key"))
