"""Recording readings: what is written, what counts as known, what is refused."""

from dataclasses import replace
from datetime import timedelta

import pytest

from fleet.models import FeedTest, MeterReading, PerformanceReading, ReadingSource
from fleet.readings.feed_tests import record_feed_tests
from fleet.readings.gauges import record_performance_readings
from fleet.readings.meter_readings import record_meter_readings
from fleet.readings.rows import NewFeedTest, NewMeterReading, NewPerformanceReading
from shared.measures import Measure
from tests import factories

pytestmark = pytest.mark.django_db


@pytest.fixture
def meter():
    return factories.meter(factories.treatment_unit())


def record(readings, now, **given):
    return record_meter_readings(readings, source=ReadingSource.TELEMETRY, now=now, **given)


def messages(report):
    return " ".join(problem.message for problem in report.problems)


def test_a_total_is_kept_as_read_and_in_gallons(now):
    # NIST SP 811: 1 ft3 = 7.480519 gal, so 100 ft3, a common billing count, is 748.05 gal.
    meter = factories.meter(factories.treatment_unit(), measure="ft3", digits=6)
    report = record([NewMeterReading(meter.pk, now, 100.0)], now)
    kept = MeterReading.objects.get()
    assert report.recorded == 1
    assert kept.total == 100.0
    assert kept.total_gal == pytest.approx(748.0519, abs=1e-4)
    assert kept.rollover_gal == pytest.approx(7_480_519, abs=1)


def test_a_total_in_another_measure_is_turned_into_the_meters_own(meter, now):
    # NIST SP 811: one US gallon is 3.785411784 L.
    record([NewMeterReading(meter.pk, now, 3785.411784, Measure.LITRE)], now)
    assert MeterReading.objects.get().total == pytest.approx(1000.0)


def test_the_same_reading_again_is_counted_and_not_written(meter, now):
    reading = NewMeterReading(meter.pk, now, 500.0)
    record([reading], now)
    report = record([reading, reading], now)
    assert (report.recorded, report.duplicates) == (0, 2)
    assert MeterReading.objects.count() == 1


def test_another_value_for_the_same_moment_is_refused_and_the_first_stands(meter, now):
    record([NewMeterReading(meter.pk, now, 500.0)], now)
    report = record([NewMeterReading(meter.pk, now, 600.0, row=7)], now)
    (problem,) = report.problems
    assert (problem.row, problem.field) == (7, "total")
    assert "500 gal" in problem.message
    assert MeterReading.objects.get().total == 500.0


def test_a_correction_is_a_higher_revision_and_the_old_value_stays(meter, now):
    record([NewMeterReading(meter.pk, now, 500.0)], now)
    report = record([NewMeterReading(meter.pk, now, 600.0)], now, as_correction=True)
    kept = list(MeterReading.objects.order_by("revision").values_list("total", "revision", "is_latest"))
    assert report.corrected == 1
    assert kept == [(500.0, 0, False), (600.0, 1, True)]


def test_a_correction_to_the_same_value_changes_nothing(meter, now):
    record([NewMeterReading(meter.pk, now, 500.0)], now)
    report = record([NewMeterReading(meter.pk, now, 500.0)], now, as_correction=True)
    assert (report.corrected, report.duplicates) == (0, 1)


def test_a_clock_ten_minutes_ahead_passes_and_eleven_is_the_future(meter, now):
    ahead = NewMeterReading(meter.pk, now + timedelta(minutes=10), 5.0)
    assert record([ahead], now).recorded == 1
    too_far = ahead._replace(read_at=now + timedelta(minutes=11))
    assert "future" in messages(record([too_far], now))


@pytest.mark.parametrize(
    ("total", "words"),
    [
        (-1.0, "can't be negative"),
        (float("nan"), "no number"),
        (float("inf"), "no number"),
        (10_000_000.0, "can't show that much"),
    ],
)
def test_a_total_no_register_can_show_is_refused(meter, now, total, words):
    report = record([NewMeterReading(meter.pk, now, total)], now)
    assert words in messages(report)
    assert not MeterReading.objects.exists()


def test_nothing_is_written_when_one_reading_of_a_batch_is_bad(meter, now):
    batch = [NewMeterReading(meter.pk, now, 10.0), NewMeterReading(meter.pk, now - timedelta(days=1), -1.0)]
    assert record(batch, now).recorded == 0
    assert not MeterReading.objects.exists()
    assert record(batch, now, accept_good_rows=True).recorded == 1


def test_a_register_that_falls_is_kept_as_data_when_it_comes_from_the_field(meter, now):
    record([NewMeterReading(meter.pk, now - timedelta(days=7), 900.0)], now)
    assert record([NewMeterReading(meter.pk, now, 100.0)], now).recorded == 1


def test_a_register_that_falls_is_refused_where_that_is_asked(meter, now):
    record([NewMeterReading(meter.pk, now - timedelta(days=7), 900.0)], now)
    report = record([NewMeterReading(meter.pk, now, 100.0)], now, refuse_backwards=True)
    assert "runs backwards" in messages(report)
    assert "900 gal" in messages(report)


def test_a_register_that_rolls_over_passes_and_one_that_falls_too_far_does_not(now):
    # 0.35 gpm is 504 gal a day: a week may bring 3528 gal, with the margin of 1.5 it is 5292 gal.
    meter = factories.meter(factories.treatment_unit(design_permeate_gpm=0.35), digits=5)
    record([NewMeterReading(meter.pk, now - timedelta(days=7), 98_000.0)], now)
    over = NewMeterReading(meter.pk, now, 1_000.0)
    too_much = NewMeterReading(meter.pk, now, 4_000.0)
    assert "runs backwards" in messages(record([too_much], now, refuse_backwards=True))
    assert record([over], now, refuse_backwards=True).recorded == 1


def test_a_late_entry_above_what_stands_after_it_is_refused(meter, now):
    record([NewMeterReading(meter.pk, now, 900.0)], now)
    late = NewMeterReading(meter.pk, now - timedelta(days=7), 950.0)
    assert "would run backwards" in messages(record([late], now, refuse_backwards=True))


def test_after_a_refused_fall_lower_rows_depend_on_it_and_a_higher_one_goes_on(meter, now):
    totals = [500.0, 100.0, 150.0, 520.0]
    batch = [
        NewMeterReading(meter.pk, now - timedelta(days=10 - i), total, row=i + 2)
        for i, total in enumerate(totals)
    ]
    report = record(batch, now, refuse_backwards=True, accept_good_rows=True)
    assert [problem.row for problem in report.problems] == [3, 4]
    assert "Depends on meter_readings row 3" in report.problems[1].message
    assert report.recorded == 2


def test_five_thousand_readings_take_few_queries(now, django_assert_max_num_queries):
    meters = [factories.meter(factories.treatment_unit()) for _ in range(5)]
    batch = [
        NewMeterReading(meter.pk, now - timedelta(hours=hour), 90_000.0 - hour)
        for meter in meters
        for hour in range(1000)
    ]
    # SQLite takes 999 values a statement, so about 90 rows of 11 columns each.
    with django_assert_max_num_queries(70):
        assert record(batch, now, refuse_backwards=True).recorded == 5000


def test_gauges_are_recorded_once_and_corrected_as_a_revision(now):
    unit = factories.treatment_unit()
    reading = NewPerformanceReading(unit.pk, now, {"feed_pressure_psi": 120.0, "permeate_flow_gpm": 0.34})
    other = replace(reading, values={"feed_pressure_psi": 121.0})
    first = record_performance_readings([reading], source=ReadingSource.PHONE, now=now)
    again = record_performance_readings([reading], source=ReadingSource.PHONE, now=now)
    refused = record_performance_readings([other], source=ReadingSource.PHONE, now=now)
    corrected = record_performance_readings([other], source=ReadingSource.PHONE, now=now, as_correction=True)
    assert (first.recorded, again.duplicates, len(refused.problems), corrected.corrected) == (1, 1, 1, 1)
    assert PerformanceReading.objects.get(is_latest=True).feed_pressure_psi == 121.0


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"feed_pressure_psi": -3.0}, "can't be negative"),
        ({"feed_temperature_c": 140.0}, "not believable"),
        ({"permeate_flow_gpm": float("nan")}, "no number"),
        ({"ph": 7.0}, "There is no measured value 'ph'"),
        ({}, "Nothing was read"),
    ],
)
def test_gauges_that_can_not_be_are_refused(now, values, words):
    unit = factories.treatment_unit()
    report = record_performance_readings(
        [NewPerformanceReading(unit.pk, now, values)], source=ReadingSource.API, now=now
    )
    assert words in messages(report)
    assert not PerformanceReading.objects.exists()


def test_a_feed_test_is_added_once_and_never_overwritten(now):
    site = factories.site()
    test = NewFeedTest(site.pk, None, now, {"hardness_mg_l": 210.0})
    assert record_feed_tests([test], now=now).recorded == 1
    assert record_feed_tests([test], now=now).duplicates == 1
    other = replace(test, values={"hardness_mg_l": 90.0})
    assert "recorded for this moment already" in messages(record_feed_tests([other], now=now))
    assert FeedTest.objects.get().hardness_mg_l == 210.0


def test_a_feed_test_of_nobody_or_of_both_is_refused(now):
    site = factories.site()
    nobody = NewFeedTest(None, None, now, {"ph": 7.0})
    both = NewFeedTest(site.pk, site.supply_id, now, {"ph": 7.0})
    assert len(record_feed_tests([nobody, both], now=now).problems) == 2
