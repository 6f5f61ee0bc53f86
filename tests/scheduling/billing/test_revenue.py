"""Revenue: once per cause, to the cent, closed months untouched, corrections that name what they correct."""

import uuid
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleet.models import Part
from scheduling.billing import invoicing, revenue
from scheduling.models import ClosedMonth, CloseOut, EntryKind, InvoiceBatch, PlanPrice, RevenueEntry
from scheduling.orders import steps
from scheduling.visits.checks import CloseOutForm, FlushForm, PartChange
from scheduling.visits.close_out import close_out
from scheduling.visits.undo import undo
from shared.errors import DomainError
from shared.periods import add_months
from tests import factories
from tests.factories import NOW, TODAY
from tests.refusals import may_refuse

pytestmark = pytest.mark.django_db
OCTOBER, NOVEMBER = date(2026, 10, 1), date(2026, 11, 1)


def total(**which):
    return sum(RevenueEntry.objects.filter(**which).values_list("amount", flat=True), Decimal("0.00"))


def closed(kind="change_due", *, site=None, minutes=30, outcome="done"):
    """A carbon change (or other work) reported an hour ago."""
    steps.ensure_step_sheets(NOW)
    unit = factories.treatment_unit(**({"site": site} if site else {}))
    part = factories.part(factories.position(unit, "carbon", 1), factories.part_kind(needs_flush=True))
    order = factories.work_order(unit, kind, part=part if kind == "change_due" else None)
    changes = [PartChange("carbon", "worn", part.kind.code)] if kind == "change_due" else []
    return close_out(
        CloseOutForm(
            client_id=uuid.uuid4(), order_id=order.pk, outcome=outcome, minutes=minutes,
            technician_id=factories.technician(branch=unit.site.branch).pk,
            finished_at=NOW - timedelta(hours=1), steps=steps.all_done(kind), part_changes=changes,
            flush=FlushForm(20, 20, True) if changes and outcome == "done" else None,
        ),
        by=None, now=NOW,
    )  # fmt: skip


def test_a_plan_earns_each_month_once_however_often_it_is_asked():
    plan = factories.plan(factories.site(), amount="60.00", starts_on=date(2026, 8, 1))
    report = revenue.enter_revenue(through=TODAY, now=NOW)
    assert (report.entered, report.amount) == (4, Decimal("240.00"))
    assert set(RevenueEntry.objects.values_list("cause_key", flat=True)) == {
        f"plan:{plan.pk}:2026-{month}" for month in ("08", "09", "10", "11")
    }
    again = revenue.enter_revenue(through=TODAY, now=NOW)
    assert (again.entered, again.corrected) == (0, 0)
    assert RevenueEntry.objects.count() == 4


def test_a_dated_price_counts_from_its_day_and_overwrites_nothing():
    plan = factories.plan(factories.site(), amount="60.00", starts_on=date(2026, 9, 1))
    PlanPrice.objects.create(plan=plan, from_on=NOVEMBER, amount=Decimal("66.00"))
    revenue.enter_revenue(through=TODAY, now=NOW)
    amounts = RevenueEntry.objects.order_by("month").values_list("amount", flat=True)
    assert list(amounts) == [Decimal("60.00"), Decimal("60.00"), Decimal("66.00")]


def test_a_plan_ended_after_it_was_entered_is_corrected_by_naming_the_entry():
    plan = factories.plan(factories.site(), amount="30.00", starts_on=date(2026, 10, 1))
    revenue.enter_revenue(through=TODAY, now=NOW)
    plan.ends_on = date(2026, 11, 11)
    plan.save()
    report = revenue.enter_revenue(through=TODAY, now=NOW)
    assert report.corrected == 1
    change = RevenueEntry.objects.get(kind=EntryKind.CORRECTION)
    assert (change.corrects.month, change.amount) == (NOVEMBER, Decimal("-20.00"))
    plan.ends_on = date(2026, 10, 1) + timedelta(days=1)
    plan.save()
    revenue.enter_revenue(through=TODAY, now=NOW)
    assert total() == Decimal("0.97")
    plan.ends_on = None
    plan.save()
    revenue.enter_revenue(through=TODAY, now=NOW)
    assert total() == Decimal("60.00")
    assert revenue.enter_revenue(through=TODAY, now=NOW).corrected == 0


def test_what_comes_late_falls_into_the_open_month_and_says_so():
    revenue.close_month(date(2026, 9, 1), by=None, now=NOW)
    revenue.close_month(OCTOBER, by=None, now=NOW)
    factories.plan(factories.site(), starts_on=date(2026, 9, 1))
    report = revenue.enter_revenue(through=TODAY, now=NOW)
    assert report.late == 2
    assert set(RevenueEntry.objects.values_list("month", flat=True)) == {NOVEMBER}
    assert RevenueEntry.objects.filter(text__contains="(for 2026-09, which is closed)").count() == 1


def test_closing_a_month_enters_what_is_due_and_twice_changes_nothing():
    factories.plan(factories.site(), starts_on=OCTOBER)
    first = revenue.close_month(OCTOBER, by=None, now=NOW)
    assert total(month=OCTOBER) == Decimal("60.00")
    assert revenue.close_month(OCTOBER, by=None, now=NOW) == first


def test_a_month_is_closed_when_it_is_over_and_after_those_before_it():
    factories.plan(factories.site(), starts_on=date(2026, 8, 1))
    with pytest.raises(DomainError, match="once its last day has passed"):
        revenue.close_month(NOVEMBER, by=None, now=NOW)
    with pytest.raises(DomainError, match="Close 2026-08 first"):
        revenue.close_month(OCTOBER, by=None, now=NOW)


@pytest.mark.parametrize(
    ("office", "branches", "over_at"),
    [
        ("America/Chicago", [], "2026-11-01T05:00"),
        ("America/Chicago", ["America/Chicago"], "2026-11-01T05:00"),
        ("America/Chicago", ["America/New_York", "America/Los_Angeles"], "2026-11-01T07:00"),
        ("America/Los_Angeles", ["America/Chicago"], "2026-11-01T07:00"),
        ("Pacific/Auckland", [], "2026-10-31T11:00"),
    ],
)
def test_a_month_is_over_at_midnight_of_the_office_and_of_every_branch(settings, office, branches, over_at):
    settings.TIME_ZONE = office
    for zone in branches:
        factories.branch(time_zone=zone)
    over = datetime.fromisoformat(over_at).replace(tzinfo=UTC)
    with pytest.raises(DomainError, match="2026-10 is not over yet"):
        revenue.close_month(OCTOBER, by=None, now=over - timedelta(seconds=1))
    assert revenue.close_month(OCTOBER, by=None, now=over).month == OCTOBER


def test_october_is_not_ended_on_its_last_evening():
    factories.plan(factories.site(), starts_on=OCTOBER)
    evening = datetime(2026, 11, 1, 0, 30, tzinfo=UTC)  # 19:30 on 31 October in Chicago
    with pytest.raises(DomainError, match="2026-10 is not over yet"):
        invoicing.end_month(OCTOBER, currency="USD", by=None, now=evening)
    assert not ClosedMonth.objects.exists()
    assert not InvoiceBatch.objects.exists()


def test_work_and_parts_outside_any_plan_are_charged_once():
    row = closed(minutes=30)
    revenue.enter_revenue(through=TODAY, now=NOW)
    revenue.enter_revenue(through=TODAY, now=NOW)
    amounts = dict(RevenueEntry.objects.values_list("cause_key", "amount"))
    part = row.parts.get()
    assert amounts == {
        f"close_out:{row.pk}:work": Decimal("47.50"),  # half an hour of 95.00
        f"close_out:{row.pk}:part:{part.pk}": Decimal("38.00"),
    }


@pytest.mark.parametrize(
    ("kind", "plan", "kinds"),
    [
        ("change_due", {}, set()),
        ("change_due", {"includes_parts": False}, {"parts"}),
        ("change_due", {"ends_on": TODAY}, {"work", "parts"}),
        ("change_due", {"starts_on": TODAY + timedelta(days=1)}, {"work", "parts"}),
        ("change_due", {"starts_on": TODAY}, set()),
        ("one_off", {}, {"work"}),
    ],
)
def test_a_plan_covers_its_days_its_parts_and_never_one_off_work(kind, plan, kinds):
    row = closed(kind)
    factories.plan(row.order.site, **plan)
    revenue.enter_revenue(through=TODAY, now=NOW)
    assert set(RevenueEntry.objects.exclude(kind="plan").values_list("kind", flat=True)) == kinds


@pytest.mark.parametrize(
    ("finished_at", "month"),
    [(datetime(2026, 11, 1, 4, 59, tzinfo=UTC), OCTOBER), (datetime(2026, 11, 1, 5, tzinfo=UTC), NOVEMBER)],
)
def test_work_falls_into_the_month_of_its_day_at_the_site(finished_at, month):
    row = closed()
    CloseOut.objects.filter(pk=row.pk).update(finished_at=finished_at)
    revenue.enter_revenue(through=OCTOBER, now=NOW)
    assert RevenueEntry.objects.exists() == (month == OCTOBER)
    revenue.enter_revenue(through=NOVEMBER, now=NOW)
    assert set(RevenueEntry.objects.values_list("month", flat=True)) == {month}


@pytest.mark.parametrize(("minutes", "amount"), [(50, "79.17"), (1, "1.58"), (0, None)])
def test_work_is_charged_to_the_cent_and_no_time_not_at_all(minutes, amount):
    closed("one_off", minutes=minutes)
    report = revenue.enter_revenue(through=TODAY, now=NOW)
    amounts = [str(entry.amount) for entry in RevenueEntry.objects.filter(kind=EntryKind.WORK)]
    assert amounts == ([amount] if amount else [])
    assert report.by_kind == ({"work": 1} if amount else {})
    assert report.amount == Decimal(amount or "0.00")


def test_a_plan_of_one_treatment_unit_does_not_cover_its_neighbour():
    row = closed()
    factories.plan(row.order.site, treatment_unit=factories.treatment_unit(site=row.order.site))
    revenue.enter_revenue(through=TODAY, now=NOW)
    assert RevenueEntry.objects.filter(close_out=row).count() == 2


def test_an_undone_close_out_takes_back_what_it_earned_once():
    row = closed()
    revenue.enter_revenue(through=TODAY, now=NOW)
    undo(row, by=factories.person("planner"), reason="wrong unit", now=NOW)
    for _ in range(2):
        revenue.enter_revenue(through=TODAY, now=NOW)
    assert total() == 0
    taken_back = RevenueEntry.objects.filter(kind=EntryKind.CORRECTION)
    assert taken_back.count() == 2
    assert all(entry.corrects.close_out_id == row.pk for entry in taken_back)


@pytest.mark.parametrize("work_to", ["20.00", "80.00", "0.00"])
def test_an_undone_close_out_takes_back_what_a_correction_left(work_to):
    row = closed()
    revenue.enter_revenue(through=TODAY, now=NOW)
    work = RevenueEntry.objects.get(kind=EntryKind.WORK)
    for amount in ("50.00", work_to):
        revenue.correct(work, to_amount=Decimal(amount), because="goodwill", by=None, now=NOW)
    assert total() == Decimal(work_to) + Decimal("38.00")
    undo(row, by=factories.person("planner"), reason="wrong unit", now=NOW)
    for _ in range(2):
        revenue.enter_revenue(through=TODAY, now=NOW)
    assert total() == 0
    taken = RevenueEntry.objects.filter(cause_key=f"undo:{work.pk}").values_list("amount", flat=True)
    assert list(taken) == ([-Decimal(work_to)] if work_to != "0.00" else [])


def test_a_second_flush_belongs_to_the_change_it_follows_and_is_not_charged_again():
    row = closed(outcome="bedding")
    tomorrow = NOW + timedelta(days=1)
    second = close_out(
        CloseOutForm(
            client_id=uuid.uuid4(), order_id=row.follow_up_id, outcome="done", minutes=60,
            technician_id=row.technician_id, finished_at=tomorrow,
            steps=steps.all_done("reflush_required"), flush=FlushForm(20, 20, True),
        ),
        by=None, now=tomorrow,
    )  # fmt: skip
    revenue.enter_revenue(through=TODAY, now=tomorrow)
    charged = RevenueEntry.objects.filter(kind=EntryKind.WORK)
    assert [(entry.close_out_id, entry.amount) for entry in charged] == [(row.pk, Decimal("47.50"))]
    assert not RevenueEntry.objects.filter(close_out=second).exists()


def test_an_undone_close_out_that_was_never_entered_earns_nothing():
    row = closed()
    undo(row, by=factories.person("planner"), reason="wrong unit", now=NOW)
    revenue.enter_revenue(through=TODAY, now=NOW)
    assert not RevenueEntry.objects.exists()


def test_a_correction_by_hand_brings_the_entry_to_the_amount_and_stays():
    factories.plan(factories.site(), starts_on=OCTOBER, ends_on=NOVEMBER)
    revenue.enter_revenue(through=TODAY, now=NOW)
    entry = RevenueEntry.objects.get()
    for amount in ("50.00", "45.50"):
        revenue.correct(entry, to_amount=Decimal(amount), because="goodwill", by=None, now=NOW)
        assert total() == Decimal(amount)
    revenue.enter_revenue(through=TODAY, now=NOW)
    assert total() == Decimal("45.50")


def test_corrections_that_correct_nothing_are_refused():
    factories.plan(factories.site(), starts_on=OCTOBER, ends_on=NOVEMBER)
    revenue.enter_revenue(through=TODAY, now=NOW)
    entry = RevenueEntry.objects.get()
    with pytest.raises(DomainError, match="another amount"):
        revenue.correct(entry, to_amount=Decimal("60.00"), because="x", by=None, now=NOW)
    with pytest.raises(DomainError, match="a few words"):
        revenue.correct(entry, to_amount=Decimal("1.00"), because=" ", by=None, now=NOW)
    made = revenue.correct(entry, to_amount=Decimal("1.00"), because="x", by=None, now=NOW)
    with pytest.raises(DomainError, match=f"Correct the entry {entry.pk}"):
        revenue.correct(made, to_amount=Decimal("2.00"), because="x", by=None, now=NOW)


def test_many_plans_take_few_queries():
    site = factories.site()
    for _ in range(60):
        factories.plan(site, starts_on=date(2025, 12, 1))
    with CaptureQueriesContext(connection) as asked:
        revenue.enter_revenue(through=TODAY, now=NOW)
    assert RevenueEntry.objects.count() == 60 * 12
    assert len(asked) < 40


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.decimals("0.01", "9999.99", places=2),
    st.sampled_from(["month", "quarter", "year"]),
    st.lists(
        st.one_of(
            st.tuples(st.just("enter"), st.integers(0, 14)),
            st.tuples(st.just("close"), st.integers(0, 13)),
            st.tuples(st.just("end"), st.integers(1, 400)),
            st.tuples(st.just("go on"), st.just(0)),
        ),
        max_size=8,
    ),
)
def test_entries_always_sum_to_what_the_terms_say_whatever_was_closed_in_between(price, interval, moves):
    starts_on = date(2025, 11, 1)
    now = datetime(2027, 2, 3, tzinfo=UTC)
    plan = factories.plan(factories.site(), amount=str(price), interval=interval, starts_on=starts_on)
    frozen = {}
    for what, number in moves:
        month = add_months(starts_on, number) if what in ("enter", "close") else None
        if what == "enter":
            revenue.enter_revenue(through=month, now=now)
        elif what == "close":
            with may_refuse():
                revenue.close_month(month, by=None, now=now)
                frozen[month] = total(plan=plan, month=month)
        else:
            plan.ends_on = starts_on + timedelta(days=number) if what == "end" else None
            plan.save()
        assert all(total(plan=plan, month=closed) == amount for closed, amount in frozen.items())
    plan.ends_on = None
    plan.save()
    revenue.enter_revenue(through=date(2027, 1, 31), now=now)
    whole_intervals = {"month": 15, "quarter": 5}
    if interval in whole_intervals:
        assert total(plan=plan) == price * whole_intervals[interval]
    assert revenue.enter_revenue(through=date(2027, 1, 31), now=now).corrected == 0
    assert all(total(plan=plan, month=closed) == amount for closed, amount in frozen.items())


def test_every_new_part_charged_was_installed_by_its_close_out():
    row = closed()
    revenue.enter_revenue(through=TODAY, now=NOW)
    entry = RevenueEntry.objects.get(kind=EntryKind.PARTS)
    assert Part.objects.in_place().get(treatment_unit=entry.treatment_unit) == row.parts.get().installed
