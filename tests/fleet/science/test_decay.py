"""What a planner is told of a membrane: findings, no findings, baselines, forecasts, odd shards."""

from dataclasses import fields, replace

import numpy as np
import pytest

from fleet.science import decay
from fleet.science.columns import Parts, Pattern, PerformanceReadings, Units
from fleet.science.decay import assess_performance
from fleet.science.found import PerformanceSeries, UnitPerformance
from fleet.science.performance_charts import PerformanceSettings
from tests.fleet.science.membrane_cases import simulate
from tests.fleet.science.membrane_model import (
    Conditions,
    Response,
    respond,
    some_membranes,
    some_units,
    swinging_site,
    to_readings,
)


def gauges(flow_gpm, temperature_c, days=None, **changes) -> PerformanceReadings:
    """Readings of one unit whose other gauges stand still: 150 psi, 500 mg/L, half recovered."""
    flow = np.atleast_1d(np.asarray(flow_gpm, dtype=float))
    days = 3 + 7.0 * np.arange(flow.size) if days is None else np.asarray(days, dtype=float)

    def steady(value):
        return np.full(flow.size, float(value))

    nothing = steady(np.nan)
    values = {
        "unit_row": np.zeros(flow.size, dtype=np.int64),
        "read_at_d": days,
        "feed_pressure_psi": steady(150),
        "concentrate_pressure_psi": steady(142),
        "permeate_pressure_psi": steady(0),
        "feed_temperature_c": np.broadcast_to(np.asarray(temperature_c, dtype=float), flow.shape).copy(),
        "feed_conductivity_us_cm": steady(780),
        "permeate_conductivity_us_cm": steady(15),
        "permeate_flow_gpm": flow,
        "concentrate_flow_gpm": steady(1),
        "sediment_inlet_psi": nothing,
        "sediment_outlet_psi": nothing,
        "chlorine_after_carbon_mg_l": nothing,
        "saw_fines": np.zeros(flow.size, dtype=bool),
    }
    return PerformanceReadings(**(values | changes))


def judge(readings, installed_at_d=0.0, now_d=1000.0, settings=None):
    """One unit with one membrane."""
    return assess_performance(some_units(1), some_membranes([0], installed_at_d), readings, now_d, settings)


BASELINE = [1.0] * 8
FALLEN = [0.66] * 3


def test_a_raw_loss_of_a_third_on_cold_water_is_no_finding():
    """The same three readings of 0.66 gpm after eight of 1.00: at 13 °C the membrane is as it was."""
    judged, _ = judge(gauges(BASELINE + FALLEN, [25] * 8 + [13.6] * 3))
    assert judged.raw_flow_change[0] == pytest.approx(-0.34)
    assert abs(judged.flow_change[0]) < 0.05
    assert not judged.is_alarm[0]
    assert judged.pattern[0] == Pattern.COLD_WATER_ONLY
    assert np.isnan(judged.crosses_limit_d[0])


def test_the_same_raw_loss_on_warm_water_is_a_finding():
    judged, _ = judge(gauges(BASELINE + FALLEN, 25))
    assert judged.raw_flow_change[0] == pytest.approx(-0.34)
    assert judged.flow_change[0] < -0.3
    assert judged.is_alarm[0]
    assert judged.pattern[0] not in (Pattern.NONE, Pattern.COLD_WATER_ONLY)


def test_a_raw_loss_from_low_line_pressure_is_neither_finding_nor_cold_water():
    low = {"feed_pressure_psi": np.array([150.0] * 8 + [100] * 3), "concentrate_pressure_psi": None}
    low["concentrate_pressure_psi"] = low["feed_pressure_psi"] - 8
    judged, _ = judge(gauges(BASELINE + FALLEN, 25, **low))
    assert abs(judged.flow_change[0]) < 0.05
    assert not judged.is_alarm[0]
    assert judged.pattern[0] == Pattern.NONE


@pytest.mark.parametrize("misread", [0.05, 0.5, 2.0, 30.0])
def test_a_single_misread_flow_raises_no_alarm_and_the_next_like_it_does(misread):
    once, _ = judge(gauges([*BASELINE, misread], 25))
    again, _ = judge(gauges([*BASELINE, misread, misread], 25))
    assert not once.is_alarm[0]
    assert again.is_alarm[0]


def test_a_changed_membrane_starts_a_new_baseline():
    """Eight readings at 1.00, then a new membrane at 0.80: no loss, and the baseline is its own."""
    readings = gauges(BASELINE + [0.8] * 8, 25)
    judged, series = judge(readings, installed_at_d=58.0)
    assert judged.baseline_flow_gpm[0] == pytest.approx(0.8)
    assert judged.flow_change[0] == pytest.approx(0)
    assert judged.baseline_from_d[0] > 58
    assert judged.readings_used[0] == 8
    assert len(series.unit_row) == 16


def test_the_newest_of_several_membranes_starts_the_baseline_and_the_first_gives_its_constant():
    parts = some_membranes([0, 0], [0.0, 58.0], [3020.0, 2000.0], [2640.0, 2000.0])
    readings = gauges(BASELINE + [0.8] * 8, 15)
    judged, _ = assess_performance(some_units(1), parts, readings, 1000.0)
    alone, _ = judge(readings, installed_at_d=58.0)
    assert judged.baseline_from_d[0] == alone.baseline_from_d[0]
    assert judged.baseline_flow_gpm[0] == alone.baseline_flow_gpm[0]


def test_the_first_day_of_a_membrane_is_left_out():
    """Flow settles for 24 to 48 hours: a reading after half a day does not enter the baseline."""
    judged, _ = judge(gauges([1.3, *BASELINE], 25, days=[0.5, *(3 + 7.0 * np.arange(8))]))
    assert judged.baseline_flow_gpm[0] == pytest.approx(1)
    assert judged.readings_used[0] == 8


def test_readings_after_now_are_not_known_yet():
    judged, series = judge(gauges(BASELINE + FALLEN, 25), now_d=57.0)
    assert judged.flow_change[0] == pytest.approx(0)
    assert series.read_at_d.max() <= 57


def test_hourly_readings_count_as_weekly_points():
    """A logger does not shorten the run length: a day of odd readings is one point among eight."""
    days = np.concatenate([3 + np.arange(56 * 24) / 24, 60 + np.arange(24) / 24])
    flow = np.where(days < 60, 1.0, 0.5)
    judged, _ = judge(gauges(flow, 25, days=days))
    assert not judged.is_alarm[0]
    assert judged.readings_used[0] == days.size


def test_quarterly_readings_are_judged_too():
    """Three visits make the baseline though they span half a year; a lasting fall is found at the second
    visit that shows it."""
    days = 5 + 91.0 * np.arange(7)
    judged, _ = judge(gauges([1, 1.01, 0.99, 1, 1, 0.82, 0.8], 25, days=days))
    assert judged.is_alarm[0]
    assert judged.baseline_to_d[0] == days[2]


def test_a_steady_fall_is_dated_within_a_week():
    """1 % every week from the tenth: the line crosses -10 % ten weeks later."""
    weeks = np.arange(19)
    flow = 1 - 0.01 * np.clip(weeks - 9, 0, None)
    judged, _ = judge(gauges(flow, 25), now_d=132.0)
    assert judged.is_alarm[0]
    assert judged.crosses_limit_d[0] == pytest.approx(3 + 7 * 19, abs=7)
    assert judged.flow_slope_per_day[0] == pytest.approx(-0.01 / 7, rel=0.15)


def test_a_limit_already_crossed_is_due_now():
    weeks = np.arange(30)
    judged, _ = judge(gauges(1 - 0.01 * np.clip(weeks - 9, 0, None), 25), now_d=210.0)
    assert judged.flow_change[0] < -0.15
    assert judged.crosses_limit_d[0] == 210


def test_a_level_flow_has_a_slope_and_no_date():
    judged, _ = judge(gauges([1, 1.01, 0.99] * 5, 25))
    assert abs(judged.flow_slope_per_day[0]) < 1e-4
    assert np.isnan(judged.crosses_limit_d[0])


def test_pressure_drop_alone_is_an_alarm_only_when_it_has_grown_by_half():
    """An antiscalant maker: do not judge by pressure drop alone."""

    def risen(drop_psi):
        pressures = 150 - np.array([20.0] * 8 + [drop_psi] * 6)
        flow = 1 - (drop_psi - 20) / 2 / 136  # what the lost pressure costs a sound membrane
        return judge(gauges([1.0] * 8 + [flow] * 6, 25, concentrate_pressure_psi=pressures))[0]

    assert not risen(25).is_alarm[0]
    assert risen(25).drop_change[0] == pytest.approx(0.25, abs=0.02)
    assert risen(34).is_alarm[0]
    assert risen(34).pattern[0] == Pattern.FOULING


def test_a_rise_within_the_gauges_is_no_rise():
    """From 2 psi to 3.5 is three quarters more, and no more than two gauges of 0.7 psi make of nothing."""
    pressures = 150 - np.array([2.0] * 8 + [3.5] * 4)
    judged, _ = judge(gauges([1.0] * 12, 25, concentrate_pressure_psi=pressures))
    assert judged.drop_change[0] > 0.5
    assert not judged.is_alarm[0]


def test_a_baseline_is_not_judged_by_itself():
    """Six points, the last two far lower: all baseline, nothing to compare them with yet."""
    judged, _ = judge(gauges([1, 1, 1, 1, 0.5, 0.5], 25))
    assert judged.readings_used[0] == 6
    assert not judged.is_alarm[0]


def test_a_sound_membrane_is_seldom_given_a_date():
    """The forecast asks for a fall at 5 %, one-sided; neighbouring noise adds a little."""
    judged, _ = assess_performance(*simulate(Pattern.NONE, 400, seed=21))
    assert np.isfinite(judged.flow_slope_per_day).all()
    assert np.isfinite(judged.crosses_limit_d).mean() < 0.09


def test_the_worked_chain_comes_out_of_the_whole_program():
    """The chain of test_normalise, read as gauges: 0.66 gpm on cold, weak, salty days is 1.03 gpm."""
    days, today = 8, 1
    then_now = [days, today]
    flow = np.repeat([1.0, 0.66], then_now)
    readings = gauges(
        flow,
        np.repeat([25.0, 15.0], then_now),
        feed_pressure_psi=np.repeat([150.0, 145], then_now),
        concentrate_pressure_psi=np.repeat([140.0, 133], then_now),
        permeate_pressure_psi=np.repeat([0.0, 5], then_now),
        feed_conductivity_us_cm=np.repeat([500.0, 620], then_now) / 0.64,
        permeate_conductivity_us_cm=np.repeat([10.0, 13], then_now) / 0.64,
        concentrate_flow_gpm=flow * np.repeat([1, 1 / 0.48 - 1], then_now),
    )
    _, series = judge(readings)
    np.testing.assert_allclose(series.normalised_flow_gpm, np.repeat([1, 1.0299], then_now), atol=1e-4)
    assert not series.is_simple_form.any()


def test_full_readings_against_a_baseline_without_pressure_are_the_simple_form():
    """There is no standard driving pressure to bring them to."""
    pressure = np.array([np.nan] * 8 + [150.0] * 4)
    _, series = judge(gauges([1.0] * 12, 25, feed_pressure_psi=pressure))
    assert series.is_simple_form.all()
    np.testing.assert_allclose(series.normalised_flow_gpm, 1)


def test_dates_of_ten_percent_over_ninety_days_are_unbiased_once_charted():
    """500 noisy units at 9 % loss after ten level weeks: about half are charted by then, and the median error
    of their date is under two weeks."""
    rng = np.random.default_rng(3)
    at_d = 7.0 * np.arange(21)[None, :] + rng.uniform(-1, 1, (500, 21)) + 3
    loss = 0.10 * np.clip((at_d - 70) / 90, 0, None)
    one = np.ones_like(at_d)
    site = swinging_site(rng, at_d)
    readings = to_readings(
        np.arange(500)[:, None], at_d, site, respond(site, 0.0075 * (1 - loss), 0.012 * one, 8 * one), rng
    )
    judged, _ = assess_performance(some_units(500), some_membranes(np.arange(500), 0.0), readings, 150.0)
    error = judged.crosses_limit_d[judged.is_alarm] - 160
    assert judged.is_alarm.mean() > 0.4
    assert abs(np.nanmedian(error)) < 14


def empty_readings() -> PerformanceReadings:
    none = np.zeros(0)
    return to_readings(none, none, Conditions(*[none] * 5), Response(*[none] * 4))


def test_units_without_membrane_or_readings_are_left_open_without_a_warning():
    units = some_units(3)
    parts = some_membranes([1], 0.0)
    readings = gauges(BASELINE, 25)
    judged, series = assess_performance(units, parts, readings, 1000.0)
    assert len(series.unit_row) == 0
    for item in fields(UnitPerformance):
        column = getattr(judged, item.name)
        assert column.shape == (3,)
        if column.dtype == np.float64:
            assert np.isnan(column).all(), item.name
    assert not judged.is_alarm.any()
    assert (judged.pattern == Pattern.NONE).all()
    assert (judged.readings_used == 0).all()


@pytest.mark.parametrize("count", [0, 3])
def test_a_shard_without_readings_has_rows_for_its_units(count):
    judged, series = assess_performance(some_units(count), some_membranes([], 0.0), empty_readings(), 1.0)
    for item in fields(UnitPerformance):
        assert getattr(judged, item.name).shape == (count,)
    for item in fields(PerformanceSeries):
        assert getattr(series, item.name).shape == (0,)


def test_a_unit_with_only_unsettled_readings_still_has_a_series():
    judged, series = judge(gauges(BASELINE, 25), installed_at_d=58.0)
    assert np.isnan(judged.flow_change[0])
    assert len(series.unit_row) == 8
    np.testing.assert_allclose(series.normalised_flow_gpm, 1)


def ragged_shard(count):
    """Units with different troubles, numbers of readings and missing gauges."""
    rng = np.random.default_rng(11)
    _, parts, readings, now_d = simulate(Pattern.SCALING, count, seed=12)
    kept = rng.random(readings.read_at_d.size) < rng.random(count)[readings.unit_row] ** 2
    columns = {item.name: getattr(readings, item.name)[kept] for item in fields(readings)}
    for name in ("feed_pressure_psi", "permeate_conductivity_us_cm", "concentrate_flow_gpm"):
        columns[name] = np.where(rng.random(kept.sum()) < 0.2, np.nan, columns[name])
    installed = np.where(rng.random(count) < 0.3, rng.uniform(0, now_d, count), 0.0)
    return some_units(count), replace(parts, installed_at_d=installed), PerformanceReadings(**columns), now_d


def piece(table, row_name, first, last):
    """Rows of units first to last, renumbered from zero."""
    row = getattr(table, row_name)
    kept = (row >= first) & (row < last)
    columns = {item.name: getattr(table, item.name)[kept] for item in fields(table)}
    columns[row_name] = columns[row_name] - first
    return type(table)(**columns)


def test_splitting_a_shard_gives_the_same_rows_bit_for_bit():
    count = 301
    units, parts, readings, now_d = ragged_shard(count)
    whole, series = assess_performance(units, parts, readings, now_d)
    assert whole.is_alarm.any()
    assert not whole.is_alarm.all()
    for first, last in ((0, 1), (1, 120), (120, 301)):
        own_units = Units(**{item.name: getattr(units, item.name)[first:last] for item in fields(Units)})
        own_parts: Parts = piece(parts, "unit_row", first, last)
        judged, own_series = assess_performance(
            own_units, own_parts, piece(readings, "unit_row", first, last), now_d
        )
        for item in fields(UnitPerformance):
            np.testing.assert_array_equal(getattr(judged, item.name), getattr(whole, item.name)[first:last])
        expected = piece(series, "unit_row", first, last)
        for item in fields(PerformanceSeries):
            np.testing.assert_array_equal(getattr(own_series, item.name), getattr(expected, item.name))


def test_the_size_of_a_chunk_changes_nothing(monkeypatch):
    shard = ragged_shard(50)
    whole, _ = assess_performance(*shard)
    monkeypatch.setattr(decay, "_CHUNK", 7)
    chunked, _ = assess_performance(*shard)
    for item in fields(UnitPerformance):
        np.testing.assert_array_equal(getattr(chunked, item.name), getattr(whole, item.name))


@pytest.mark.parametrize(
    "wrong",
    [
        {"flow_limit": 0},
        {"ewma_weight": 1.5},
        {"baseline_least_points": 9},
        {"slope_points": 53},
        {"slope_least_points": 2},
        {"point_days": float("nan")},
    ],
)
def test_settings_out_of_range_are_refused(wrong):
    with pytest.raises(ValueError, match=next(iter(wrong))):
        PerformanceSettings(**wrong)
