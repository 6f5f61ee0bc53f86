"""Visits beyond those a plan includes are charged; the others are not."""

from datetime import date, timedelta
from decimal import Decimal

import pytest

from scheduling.billing import revenue
from scheduling.contracts.plans import year_start
from scheduling.models import CloseOut, EntryKind, OrderKind, RevenueEntry
from tests import factories as make

pytestmark = pytest.mark.django_db


def visit(unit, technician, days_ago: int, *, minutes: int = 60, **given) -> CloseOut:
    at = make.NOW - timedelta(days=days_ago)
    order = make.work_order(unit, **given)
    return CloseOut.objects.create(
        order=order, technician=technician, outcome="done", finished_at=at, received_at=at, minutes=minutes
    )


def charged() -> list[int]:
    work = RevenueEntry.objects.filter(kind=EntryKind.WORK)
    return list(work.order_by("pk").values_list("close_out_id", flat=True))


def test_the_first_visits_of_the_year_are_in_the_price_and_the_next_is_charged(now):
    unit, technician = make.treatment_unit(), make.technician()
    make.plan(unit.site, starts_on=date(2025, 10, 1), included_visits_per_year=1)
    last_year = visit(unit, technician, 40)
    first = visit(unit, technician, 20)
    same_day = visit(unit, technician, 20)
    second = visit(unit, technician, 5, minutes=30)
    revenue.enter_revenue(through=make.TODAY, now=now)
    assert charged() == [second.pk]
    assert RevenueEntry.objects.get(close_out=second).amount == Decimal("47.50")
    assert not RevenueEntry.objects.filter(close_out__in=[last_year, first, same_day]).exists()
    revenue.enter_revenue(through=make.TODAY, now=now)
    assert charged() == [second.pk]


def test_one_off_work_uses_no_included_visit_up(now):
    unit, technician = make.treatment_unit(), make.technician()
    make.plan(unit.site, starts_on=date(2026, 1, 1), included_visits_per_year=1)
    one_off = visit(unit, technician, 20, kind=OrderKind.ONE_OFF)
    visit(unit, technician, 5)
    revenue.enter_revenue(through=make.TODAY, now=now)
    assert charged() == [one_off.pk]


def test_a_plan_without_a_number_includes_every_visit(now):
    unit, technician = make.treatment_unit(), make.technician()
    make.plan(unit.site)
    for days in (3, 9, 30):
        visit(unit, technician, days)
    revenue.enter_revenue(through=make.TODAY, now=now)
    assert charged() == []


@pytest.mark.parametrize(
    ("starts_on", "day", "expected"),
    [
        (date(2024, 2, 29), date(2026, 2, 28), date(2026, 2, 28)),
        (date(2024, 2, 29), date(2026, 2, 27), date(2025, 2, 28)),
        (date(2026, 5, 1), date(2026, 5, 1), date(2026, 5, 1)),
        (date(2025, 12, 31), date(2026, 1, 1), date(2025, 12, 31)),
    ],
)
def test_a_plans_year_begins_on_its_anniversary(starts_on, day, expected):
    assert year_start(make.plan(make.site(), starts_on=starts_on), day) == expected
