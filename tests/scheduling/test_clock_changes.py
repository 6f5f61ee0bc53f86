"""The night the clocks change: a day of 25 or 23 hours is one day, and work starts by the clock on the wall.

In the United States clocks go back on the first Sunday of November and ahead on the second of March, at 2 in
the morning (15 U.S.C. 260a): 1 November 2026 and 14 March 2027.
"""

import uuid
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import icalendar
import pytest
from django.urls import reverse

from fleet.models import Part
from scheduling.customers import calendars
from scheduling.models import CloseOut, OrderKind, WorkOrder
from scheduling.orders import raising, steps
from scheduling.orders.contents import USUAL
from scheduling.routes import stored
from scheduling.visits.checks import CloseOutForm, FlushForm, PartChange
from scheduling.visits.close_out import close_out
from scheduling.visits.undo import undo
from shared.errors import DomainError
from tests import factories as make
from tests.scheduling import hands

pytestmark = pytest.mark.django_db
ZONE = ZoneInfo("America/Chicago")
BACK = date(2026, 11, 1)
AHEAD = date(2027, 3, 14)


def wall(day: date, hour: int, minute: int = 0, *, fold: int = 0) -> datetime:
    """A moment as the clock on the wall shows it; ``fold`` 1 is the second time round."""
    return datetime.combine(day, time(hour, minute, fold=fold), tzinfo=ZONE).astimezone(UTC)


def change(finished_at: datetime, *, outcome: str = "done") -> CloseOut:
    """A carbon change that ends, and is received, at a moment."""
    steps.ensure_step_sheets(finished_at - timedelta(days=30))
    branch = make.branch(time_zone=str(ZONE))
    unit = make.treatment_unit(site=make.site(branch=branch, time_zone=str(ZONE)))
    kind = make.part_kind(needs_flush=True)
    part = make.part(make.position(unit, "carbon", 1), kind, installed_at=finished_at - timedelta(days=90))
    order = make.work_order(unit, part=part, raised_at=finished_at, changed_at=finished_at)
    form = CloseOutForm(
        client_id=uuid.uuid4(), order_id=order.pk, technician_id=make.technician(branch=branch).pk,
        outcome=outcome, finished_at=finished_at, minutes=40, steps=steps.all_done(order.kind),
        part_changes=[PartChange("carbon", "worn", kind.code)],
        flush=FlushForm(20, 20, True) if outcome == "done" else None,
    )  # fmt: skip
    return close_out(form, by=None, now=finished_at)


@pytest.mark.parametrize("changes_on", [BACK, AHEAD])
@pytest.mark.parametrize("hour", [8, 18, 23])
def test_a_bed_left_over_the_night_of_the_change_is_flushed_the_next_day(changes_on, hour):
    row = change(wall(changes_on - timedelta(days=1), hour, 30), outcome="bedding")
    assert row.follow_up.kind == OrderKind.REFLUSH_REQUIRED
    assert (row.follow_up.window_from, row.follow_up.window_to) == (
        changes_on, changes_on + timedelta(days=1),
    )  # fmt: skip
    assert (
        row.follow_up.minutes
        >= row.follow_up.flush_minutes
        == round(USUAL.carbon_flush_gal / USUAL.flush_gpm)
    )


@pytest.mark.parametrize("changes_on", [BACK, AHEAD])
def test_the_night_of_the_change_is_never_two_follow_ups(changes_on):
    row = change(wall(changes_on - timedelta(days=1), 18), outcome="bedding")
    for hour in (0, 1, 3, 12, 23):
        raising.raise_work(now=wall(changes_on, hour, 30))
    flushes = WorkOrder.objects.filter(
        treatment_unit=row.order.treatment_unit, kind=OrderKind.REFLUSH_REQUIRED
    )
    assert flushes.count() == 1


def test_a_day_of_25_hours_is_one_day_to_undo_in():
    row = change(wall(BACK, 0, 30))
    late = wall(BACK, 23, 45)
    assert late - row.received_at > timedelta(hours=24)
    assert undo(row, by=make.person("planner"), reason="typo", now=late).undone_at == late


def test_after_a_day_of_23_hours_the_day_is_over():
    row = change(wall(AHEAD, 0, 30))
    next_day = wall(AHEAD + timedelta(days=1), 0, 15)
    assert next_day - row.received_at < timedelta(hours=23)
    with pytest.raises(DomainError, match="only the same day's") as refusal:
        undo(row, by=make.person("planner"), reason="typo", now=next_day)
    assert refusal.value.remedy


def test_the_hour_that_comes_twice_keeps_its_order_and_its_minutes():
    first, second = change(wall(BACK, 1, 30)), change(wall(BACK, 1, 30, fold=1))
    assert second.finished_at - first.finished_at == timedelta(hours=1)
    assert list(CloseOut.objects.order_by("finished_at")) == [first, second]
    assert (first.minutes, second.minutes) == (40, 40)
    lives = [Part.objects.in_place().get(treatment_unit=row.order.treatment_unit) for row in (first, second)]
    assert lives[1].installed_at - lives[0].installed_at == timedelta(hours=1)


@pytest.mark.parametrize(("day", "hour_utc"), [(BACK - timedelta(1), 13), (BACK, 14), (AHEAD, 13)])
def test_work_starts_at_eight_by_the_clock_on_the_wall(day, hour_utc):
    # Central time is UTC-5 in summer, UTC-6 in winter.
    starts = stored.on_wall(day, 8 * 3600, ZONE)
    assert starts.astimezone(UTC) == datetime.combine(day, time(hour_utc), tzinfo=UTC)


@pytest.mark.parametrize("changes_on", [BACK, AHEAD])
def test_a_plan_over_the_change_keeps_drives_work_and_windows(changes_on):
    before = changes_on - timedelta(days=1)
    now = wall(before - timedelta(days=1), 10)
    branch, _people, orders = hands.crew(orders=6)
    WorkOrder.objects.update(raised_at=now, window_from=before, window_to=changes_on + timedelta(days=1))
    row = hands.plan(branch, first_on=before, days=3, now=now)
    placed = 0
    for route in row.routes.prefetch_related("stops__orders__order"):
        for stop in route.stops.all():
            assert stop.starts_at.astimezone(ZONE).date() == route.day
            work = sum(link.order.minutes for link in stop.orders.all())
            assert stop.leaves_at - stop.starts_at >= timedelta(minutes=work)
            for link in stop.orders.all():
                assert link.order.window_from <= route.day <= link.order.window_to
                placed += 1
    assert placed + row.unplaced.count() == len(orders)


@pytest.mark.parametrize("changes_on", [BACK, AHEAD])
def test_a_calendar_over_the_change_shows_every_visit_at_its_hour_on_the_wall(
    client, time_machine, changes_on
):
    friday, monday = changes_on - timedelta(days=2), changes_on + timedelta(days=1)
    now = wall(friday - timedelta(days=1), 10)
    time_machine.move_to(now, tick=False)
    branch, people, orders = hands.crew(people=1, orders=6)
    # Half of them on the one side of the night, half on the other.
    for some, day in ((orders[:3], friday), (orders[3:], monday)):
        chosen = WorkOrder.objects.filter(pk__in=[order.pk for order in some])
        chosen.update(raised_at=now, window_from=day, window_to=day)
    row = hands.plan(branch, first_on=friday, days=4, now=now, is_published=True)
    secret = calendars.new_secret(people[0], by=None, now=now)
    found = icalendar.Calendar.from_ical(client.get(reverse("calendar_file", args=[secret])).content)
    shown = {(one["DTSTART"].dt, one["DTEND"].dt) for one in found.walk("VEVENT")}
    assert shown == set(row.routes.values_list("stops__starts_at", "stops__leaves_at"))
    # Written in UTC, which has no hour twice; a calendar of Chicago turns it into the hour on the wall.
    on_the_wall = [start.astimezone(ZONE) for start, _ in shown]
    assert all(start.utcoffset() == timedelta(0) for start, _ in shown)
    assert all(8 <= start.hour < 18 for start in on_the_wall)
    assert {start.utcoffset() for start in on_the_wall} == {timedelta(hours=-5), timedelta(hours=-6)}
    assert all(end - start >= timedelta(minutes=1) for start, end in shown)
