"""A disk that is full and clocks that jump: nothing half-written, nothing frozen, and the page says so."""

from dataclasses import replace
from datetime import timedelta

import pytest
import time_machine
from django.db import OperationalError, connection
from django.utils import timezone

from fleet import tasks
from fleet.assessment import runs
from fleet.assessment.finding_rules import STRENGTH_MOVED
from fleet.models import AssessmentRun, AssessmentShard, Finding, MeterReading, ReadingSource, TaskRun
from fleet.readings.meter_readings import record_meter_readings
from fleet.readings.rows import NewMeterReading
from scheduling.models import CloseOut, OrderState, WorkOrder
from scheduling.orders import raising
from scheduling.orders.steps import ensure_step_sheets
from scheduling.tasks import raise_work
from scheduling.visits import close_out
from tests import factories as make
from tests.faults.close_out_process import form_of
from tests.faults.fleet_at_risk import (
    forget_everything,
    open_causes,
    small_fleet,
    what_is_known,
    what_the_page_says,
)

pytestmark = pytest.mark.django_db(transaction=True)
CLIENT_ID = "6a9f1f5e-3b1c-4f43-9d2e-0d3c58b0a002"


@pytest.fixture
def full_disk():
    """Let the database file grow no further until the test says that there is room again."""

    def fill():
        with connection.cursor() as cursor:
            pages = cursor.execute("PRAGMA page_count").fetchone()[0]
            free = cursor.execute("PRAGMA freelist_count").fetchone()[0]
            cursor.execute(f"PRAGMA max_page_count = {pages - free + 2}")

    def free():
        with connection.cursor() as cursor:
            cursor.execute("PRAGMA max_page_count = 1000000")

    yield fill, free
    free()


def counts() -> tuple[int, ...]:
    return tuple(model.objects.count() for model in (MeterReading, Finding, WorkOrder, CloseOut))


@pytest.mark.sqlite
def test_a_full_disk_writes_nothing_by_halves_and_work_goes_on_when_there_is_room(full_disk):
    fill, free = full_disk
    small_fleet(30)
    ensure_step_sheets(make.NOW)
    unit = make.treatment_unit()
    old = make.part(make.position(unit, "carbon", 1), installed_at=make.NOW - timedelta(days=100))
    technician, order = make.technician(), make.work_order(unit, part=old)
    meter = make.meter(unit)
    many = [
        NewMeterReading(row=n, meter_id=meter.pk, read_at=make.NOW - timedelta(hours=2000 - n), total=1.0 + n)
        for n in range(1500)
    ]
    before = counts()
    fill()
    with pytest.raises(OperationalError, match="full"):
        record_meter_readings(many, source=ReadingSource.PHONE, now=make.NOW)
    with time_machine.travel(make.NOW), pytest.raises(OperationalError, match="full"):
        tasks.assess_fleet.delay()
    form = form_of(order.pk, technician.pk, CLIENT_ID, make.NOW)
    form = replace(form, note="Seen on site. " * 20_000)
    with pytest.raises(OperationalError, match="full"):
        close_out.close_out(form, by=None, now=make.NOW)
    assert counts() == before
    order.refresh_from_db()
    assert order.state == OrderState.OPEN

    free()
    assert record_meter_readings(many, source=ReadingSource.PHONE, now=make.NOW).problems == []
    close_out.close_out(form, by=None, now=make.NOW)
    assert CloseOut.objects.count() == 1
    run = AssessmentRun.objects.filter(finished_at__isnull=True).first() or runs.start_run(make.NOW)
    for shard_id in run.shards.values_list("id", flat=True):
        runs.assess_claimed(shard_id, make.NOW + timedelta(hours=1))
    assert Finding.objects.exists()


def test_a_full_disk_is_told_in_plain_words(monkeypatch):
    def full(*args):
        raise OperationalError("database or disk is full")

    monkeypatch.setattr("fleet.assessment.runs.assess_units", full)
    with pytest.raises(OperationalError):
        tasks.assess_units.delay(unit_ids=[1])
    assert "The disk was full, nothing was written" in what_the_page_says()


@pytest.fixture
def undisturbed():
    """What a night comes to with a clock that never jumped."""
    small_fleet(30)
    night(make.NOW)
    known = what_is_known() | {"causes": open_causes()}
    assert len(known["findings"]) > 20
    forget_everything()
    AssessmentRun.objects.all().delete()
    TaskRun.objects.all().delete()
    return known


def night(now) -> None:
    """The timetable's night at a moment."""
    with time_machine.travel(now, tick=False):
        tasks.assess_fleet.delay()
        tasks.take_up_lost_shards.delay()
        raise_work.delay()


@pytest.mark.parametrize("jump", [timedelta(days=400), timedelta(days=9), timedelta(days=-3)])
def test_after_a_clock_jumped_and_came_back_the_next_night_knows_what_a_quiet_one_knows(undisturbed, jump):
    night(make.NOW + jump)
    night(make.NOW)
    found = what_is_known()
    assert [row[0] for row in found["findings"]] == [row[0] for row in undisturbed["findings"]]
    if jump < timedelta(0):
        # A night of days ago holds for whom nothing has changed since; all are looked at for the figures.
        run = runs.start_run(make.NOW)
        for shard_id in run.shards.values_list("id", flat=True):
            runs.assess_claimed(shard_id, make.NOW)
        found = what_is_known()
    for row, quiet in zip(found["findings"], undisturbed["findings"], strict=True):
        assert (row[0], *row[2:-1]) == (quiet[0], *quiet[2:-1])
        # A small move of a strength is left alone.
        assert row[1] == pytest.approx(quiet[1], abs=STRENGTH_MOVED)
    assert found["parts"] == undisturbed["parts"]
    assert found["units"] == undisturbed["units"]
    causes = open_causes()
    assert len(causes) == len(set(causes))
    assert causes == undisturbed["causes"]


def test_a_shard_claimed_by_a_clock_that_ran_ahead_is_taken_up_again(undisturbed):
    ahead = make.NOW + timedelta(days=2)
    run = runs.start_run(make.NOW, shard_size=100)
    AssessmentShard.objects.filter(run=run).update(state="claimed", claimed_at=ahead, attempts=1)
    night(make.NOW + timedelta(minutes=1))
    run.refresh_from_db()
    assert run.finished_at is not None


def test_the_page_says_that_the_clock_went_back(undisturbed):
    night(timezone.now() + timedelta(days=2))
    assert "The clock of this machine went back" in what_the_page_says()


def test_raising_twice_at_a_jumping_clock_keeps_one_order_a_cause(undisturbed):
    night(make.NOW)
    for days in (30, -2, 0):
        raising.raise_work(now=make.NOW + timedelta(days=days))
    causes = open_causes()
    assert len(causes) == len(set(causes))
