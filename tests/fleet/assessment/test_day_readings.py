"""Rolled-up days change no answer: made, not made, half made or touched by what comes late."""

from datetime import timedelta
from threading import Barrier, Thread

import numpy as np
import pytest
from django.db import connection, transaction

from fleet.assessment import day_readings, runs
from fleet.assessment.columns import read_shard
from fleet.assessment.days import to_days
from fleet.database.columns import UnitRange
from fleet.models import DayReading, Finding, FindingKind, MeterReading, PartState, UnitState
from tests import factories as make
from tests.factories import NOW

pytestmark = pytest.mark.django_db
DAYS = 75
HOUR = timedelta(hours=1)


def hourly(days=DAYS, jump_back=0.0, **given):
    """A treatment unit whose meter reports by the hour and once may jump back, fifty days before."""
    unit = make.whole_unit(**given)
    meter = unit.meters.get()
    MeterReading.objects.filter(meter=meter).delete()
    rows = []
    for hour in range(days * 24):
        at = NOW - HOUR * hour
        total = 50_000 - hour * 0.8 - (hour % 5) * 0.1 + jump_back * (at > NOW - timedelta(days=50))
        shown = {"total": total, "total_gal": total, "rollover_gal": 1e7}
        of = {"treatment_unit": unit, "meter": meter, "water": "permeate", "source": "telemetry"}
        rows.append(MeterReading(**of, **shown, read_at=at, recorded_at=at))
    MeterReading.objects.bulk_create(rows)
    return unit


def registers(unit, until=NOW):
    readings = read_shard(UnitRange(only_ids=(unit.pk,)), to_days(until)).columns.readings
    return [column.tolist() for column in vars(readings).values()]


def unrolled(unit, until=NOW):
    """The same with nothing rolled up."""
    with transaction.atomic():
        DayReading.objects.all().delete()
        found = registers(unit, until)
        transaction.set_rollback(True)
    return found


def states():
    return [list(model.objects.order_by("pk").values()) for model in (UnitState, PartState)]


def roll_up():
    return day_readings.roll_up_fleet(NOW, shard_size=2)


def settle():
    """Let an assessment take in what is marked."""
    runs.assess_fleet(NOW, is_full=False)


def kept():
    return list(
        DayReading.objects.order_by("meter_id", "read_at").values_list("meter_id", "read_at", "total_gal")
    )


def test_findings_are_the_same_with_and_without_and_many_rows_are_spared():
    units = [hourly(), hourly(jump_back=-900), make.whole_unit()]
    runs.assess_fleet(NOW)
    before = states()
    causes = set(Finding.objects.values_list("cause_key", flat=True))
    assert roll_up() == DayReading.objects.count()
    old = MeterReading.objects.filter(read_at__lt=NOW - timedelta(days=29))
    assert 0 < DayReading.objects.count() < old.filter(treatment_unit__in=units[:2]).count() / 8
    assert not DayReading.objects.filter(treatment_unit_id=units[2].pk).exists()
    with_rolled = [registers(unit) for unit in units]
    assert with_rolled == [unrolled(unit) for unit in units]
    runs.assess_fleet(NOW)
    assert states() == before
    assert set(Finding.objects.values_list("cause_key", flat=True)) == causes


def test_a_register_that_jumped_back_is_still_found():
    unit = hourly(jump_back=-900)
    settle()
    roll_up()
    UnitState.objects.update(look_again_on=None)
    runs.assess_fleet(NOW)
    totals = np.array(read_shard(UnitRange(only_ids=(unit.pk,)), to_days(NOW)).columns.readings.total_gal)
    assert np.diff(totals).min() == pytest.approx(-899, abs=2)
    assert Finding.objects.filter(kind=FindingKind.METER_FAULT, treatment_unit=unit).exists()


def test_as_of_an_earlier_moment_the_answer_is_what_it_was_then():
    unit = hourly()
    settle()
    moments = [NOW - timedelta(days=days, hours=7) for days in (0, 1, 20, 40, 60, 80)]
    before = [registers(unit, moment) for moment in moments]
    assert roll_up()
    assert [registers(unit, moment) for moment in moments] == before


def late(unit, at):
    make.meter_reading(unit.meters.get(), 50_000 - (NOW - at) / HOUR * 0.8 + 33, at)


def correct(unit, at):
    was = MeterReading.objects.filter(treatment_unit=unit, read_at__gte=at).earliest("read_at")
    MeterReading.objects.filter(pk=was.pk).update(is_latest=False)
    make.meter_reading(was.meter, was.total + 21, was.read_at, revision=1)


def delete(unit, at):
    MeterReading.objects.filter(
        treatment_unit=unit, read_at__gte=at, read_at__lt=at + timedelta(days=2)
    ).delete()


@pytest.mark.parametrize("change", [late, correct, delete])
def test_what_comes_late_is_seen_at_once_and_the_day_is_rolled_up_again(change):
    unit = hourly()
    settle()
    roll_up()
    change(unit, NOW - timedelta(days=45, minutes=17))
    assert registers(unit) == unrolled(unit)
    assert roll_up() == 0, "marked: the assessment comes first"
    assert registers(unit) == unrolled(unit)
    settle()
    assert registers(unit) == unrolled(unit)
    assert len(kept()) > 0
    assert kept()[-1][1] < NOW - timedelta(days=45)
    assert roll_up() > 0
    assert registers(unit) == unrolled(unit)
    again = kept()
    DayReading.objects.all().delete()
    roll_up()
    assert kept() == again


def test_twice_adds_nothing_and_each_day_adds_its_own():
    unit = hourly()
    settle()
    assert day_readings.roll_up_fleet(NOW - timedelta(days=3), 10) > 0
    some = len(kept())
    assert roll_up() > 0
    assert roll_up() == 0
    bit_by_bit = kept()
    assert len(bit_by_bit) > some
    DayReading.objects.all().delete()
    roll_up()
    assert kept() == bit_by_bit
    assert registers(unit) == unrolled(unit)


def test_one_that_dies_half_way_leaves_whole_treatment_units_and_the_next_goes_on(monkeypatch):
    units = [hourly(), hourly()]
    settle()
    monkeypatch.setattr(day_readings, "AT_ONCE", 1)
    real, calls = day_readings._write, []

    def write(ids):
        calls.append(ids)
        written = real(ids)
        if len(calls) == 2:
            raise RuntimeError("power cut")
        return written

    monkeypatch.setattr(day_readings, "_write", write)
    with pytest.raises(RuntimeError):
        roll_up()
    assert set(DayReading.objects.values_list("treatment_unit_id", flat=True)) == {units[0].pk}
    assert [registers(unit) for unit in units] == [unrolled(unit) for unit in units]
    roll_up()
    assert set(DayReading.objects.values_list("treatment_unit_id", flat=True)) == {unit.pk for unit in units}


@pytest.mark.postgres
@pytest.mark.django_db(transaction=True)
def test_two_beside_each_other_make_each_row_once():
    unit = hourly()
    settle()
    barrier, failed = Barrier(2), []

    def work():
        try:
            barrier.wait(10)
            roll_up()
        except Exception as error:
            failed.append(error)
        finally:
            connection.close()

    threads = [Thread(target=work) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert failed == []
    assert len(kept()) == len(set(kept())) > 0
    assert registers(unit) == unrolled(unit)
