"""The planner's overview: order of risk, what is late, what is placed, what it costs to ask."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from scheduling.models import Absence
from scheduling.overview.overview import overview
from tests import factories

pytestmark = pytest.mark.django_db
TODAY = factories.TODAY


def seen(now, branch_id=None):
    """The overview's rows."""
    return overview(now=now, today=TODAY, branch_id=branch_id)


def test_water_not_fit_to_use_comes_before_what_merely_wears(now):
    unit = factories.treatment_unit()
    for kind in ("feed_test", "change_due", "performance_decay", "reflush_required"):
        factories.work_order(unit, kind)
    factories.finding(unit, "meter_fault")
    keys = [group.key for group in seen(now).groups]
    assert keys == ["reflush_required", "performance_decay", "change_due", "feed_test", "meter_fault"]


def test_late_due_and_placed_orders_are_counted_apart(now):
    unit = factories.treatment_unit()
    factories.work_order(unit, window_from=TODAY - timedelta(days=9), window_to=TODAY - timedelta(days=1))
    placed = factories.work_order(unit, window_to=TODAY)
    factories.work_order(unit, window_to=TODAY + timedelta(days=6))
    factories.work_order(unit, window_to=TODAY + timedelta(days=7))
    factories.route(factories.technician(), [placed])
    page = seen(now)
    assert (page.standing.late_orders, page.standing.due_this_week) == (1, 2)
    (group,) = page.groups
    assert (group.count, group.late, group.unplaced) == (4, 1, 3)


def test_an_order_planned_after_its_window_is_not_called_settled(now):
    unit = factories.treatment_unit()
    missed = factories.work_order(unit, "reflush_required", window_to=TODAY + timedelta(days=2))
    factories.route(factories.technician(), [missed], TODAY + timedelta(days=5))
    (group,) = seen(now).groups
    assert (group.unplaced, group.too_late) == (0, 1)
    assert group.rows[0].is_too_late
    assert group.rows[0].planned_on == TODAY + timedelta(days=5)


def test_a_days_load_is_drive_and_work_over_the_shifts_there_are(now):
    technician = factories.technician()
    away = factories.technician()
    Absence.objects.create(technician=away, first_on=TODAY, last_on=TODAY)
    order = factories.work_order(factories.treatment_unit(), minutes=40)
    factories.route(technician, [order], TODAY)
    today, tomorrow = seen(now).days[:2]
    # 8 to 17 less half an hour of lunch; the second technician is away today.
    assert today.shift_minutes == 510
    assert tomorrow.shift_minutes == 1020
    assert today.share == pytest.approx((40 + 20) / 510)
    assert (today.technicians, today.stops) == (1, 1)


def test_what_came_and_went_since_yesterday_is_told(now):
    unit = factories.treatment_unit()
    factories.finding(unit, found_at=now - timedelta(hours=3))
    factories.finding(
        unit, found_at=now - timedelta(days=9), gone_at=now - timedelta(hours=1), gone_because="x"
    )
    factories.finding(unit, found_at=now - timedelta(days=9))
    (change,) = seen(now).changes
    assert (change.word, change.came, change.went) == ("Change due", 1, 1)


def test_a_branch_sees_its_own_work_alone(now):
    mine, other = factories.treatment_unit(), factories.treatment_unit()
    factories.work_order(mine)
    factories.work_order(other)
    page = seen(now, branch_id=mine.site.branch_id)
    assert page.standing.units == 1
    assert [row.serial for group in page.groups for row in group.rows] == [mine.serial]


def test_more_work_asks_the_database_no_more_often(client, now):
    client.force_login(factories.person("planner"))
    unit = factories.treatment_unit()
    factories.finding(unit)
    factories.route(factories.technician(), [factories.work_order(unit)])
    with CaptureQueriesContext(connection) as few:
        client.get(reverse("planner_overview"))
    for _ in range(12):
        factories.route(factories.technician(), [factories.work_order(factories.treatment_unit())])
    with CaptureQueriesContext(connection) as many:
        client.get(reverse("planner_overview"))
    assert len(many) == len(few) <= 37


def test_findings_without_an_order_are_not_called_nothing_to_do(client, now):
    unit = factories.treatment_unit()
    finding = factories.finding(unit, "change_due")
    client.force_login(factories.person("planner"))
    page = client.get(reverse("planner_overview")).text
    assert "1 finding has no work order yet" in page
    assert "Nothing to do" not in page
    withdrawn = factories.work_order(unit, "change_due", cause_key=finding.cause_key)
    page = client.get(reverse("planner_overview")).text
    assert "has no work order yet" not in page
    withdrawn.state, withdrawn.ended_at, withdrawn.withdrawn_because = "withdrawn", now, "needless"
    withdrawn.save()
    page = client.get(reverse("planner_overview")).text
    assert "has no work order yet" not in page, "a person judged it needless"


def test_an_empty_company_is_shown_how_to_begin(client):
    client.force_login(factories.person("owner"))
    page = client.get(reverse("planner_overview")).content.decode()
    assert "No treatment unit is known yet" in page
    assert reverse("import_fleet") in page
