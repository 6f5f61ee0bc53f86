"""Normalisation against printed tables, a worked chain, and a membrane whose permeability never changes."""

from dataclasses import replace

import numpy as np
import pytest

from fleet.science.assess import assess_shard
from fleet.science.chemistry import log_mean_factor, osmotic_pressure_from_tds
from fleet.science.decay import assess_performance
from fleet.science.gauges import BELIEVABLE
from fleet.science.normalise import (
    net_driving_pressure,
    normalised_flow,
    normalised_pressure_drop,
    permeate_concentration_pressure_form,
    pressure_drop_temperature_factor,
    salt_passage_flow_form,
    temperature_factor,
)
from fleet.science.performance_charts import PerformanceSettings
from shared.measures import PSI_PER_BAR
from tests.benchmarks.synthetic_shard import make_shard
from tests.fleet.science.membrane_model import respond, some_membranes, some_units, swinging_site, to_readings
from tests.fleet.science.published import published

UNITS, WEEKS = 200, 60


def test_thin_film_constants_reproduce_the_printed_table():
    table = published("thin_film_temperature_factors")
    divisor = 1 / temperature_factor(table["temperature_c"], 3020, 2640)
    np.testing.assert_allclose(divisor, table["divisor"], atol=6e-4)


def test_one_constant_of_2700_reproduces_the_household_table():
    table = published("household_temperature_factors")
    factor = temperature_factor(table["temperature_c"], 2700, 2700)
    np.testing.assert_allclose(factor, table["multiplier"], atol=1.5e-3)


def test_the_factor_is_below_one_in_cold_water():
    assert temperature_factor(10, 3020, 2640) == pytest.approx(0.584, abs=5e-4)
    assert temperature_factor(25, 3020, 2640) == 1
    assert temperature_factor(35, 3020, 2640) > 1


@pytest.mark.parametrize("temperature_c", [-1, 51, np.nan])
def test_a_temperature_no_membrane_sees_gives_no_factor(temperature_c):
    assert np.isnan(temperature_factor(temperature_c, 3020, 2640))


def test_a_membrane_rated_1800_gallons_gives_1266_at_59_fahrenheit():
    """Printed example beside the thin-film table: 1800 gpd at 77 °F is 1266 gpd at 59 °F."""
    assert 1800 * temperature_factor(15, 3020, 2640) == pytest.approx(1266, abs=0.7)


def test_sixty_psi_on_a_thousand_mg_l_drive_with_fifty():
    """Household manual p. 18 and Water Treatment Plant Design p. 13.10, within 1 psi."""
    osmotic = osmotic_pressure_from_tds(1000, 25)
    assert net_driving_pressure(60, 0, 0, osmotic) == pytest.approx(50, abs=1)


def test_the_worked_chain_from_gauges_to_normalised_flow():
    """A chain redone by hand, not published: 25 °C, 150 psi, 500 mg/L, recovery 0.50, permeate 10 mg/L
    against 15 °C, 145 psi, 620 mg/L, 0.48, 13 mg/L. Raw flow fell 34 %, normalised flow not at all."""
    temperature, feed = np.array([25.0, 15.0]), np.array([500.0, 620.0])
    brine = feed * log_mean_factor([0.50, 0.48])
    osmotic = osmotic_pressure_from_tds(brine, temperature)
    permeate_osmotic = osmotic_pressure_from_tds([10, 13], temperature)
    driving = net_driving_pressure([150, 145], [10, 12], [0, 5], osmotic, permeate_osmotic)
    factor = temperature_factor(temperature, 3020, 2640)
    np.testing.assert_allclose(brine, [693.147, 844.655], atol=1e-3)
    np.testing.assert_allclose(osmotic / PSI_PER_BAR, [0.4870, 0.5763], atol=1e-4)
    np.testing.assert_allclose(driving / PSI_PER_BAR, [9.5174, 8.6716], atol=1e-4)
    np.testing.assert_allclose(factor, [1, 0.7034], atol=1e-4)
    assert normalised_flow(0.66, driving[1], factor[1], driving[0]) == pytest.approx(1.0299, abs=1e-4)
    permeate = permeate_concentration_pressure_form(13, driving[1], brine[1], driving[0], brine[0])
    assert permeate == pytest.approx(9.720, abs=1e-3)


def test_no_driving_pressure_is_no_number():
    assert np.isnan(net_driving_pressure(20, 5, 10, 10))


def test_pressure_drop_goes_with_the_mean_flow_to_the_power_of_one_and_a_half():
    """Maker's technical manual ch. 5-4: doubled flows, drop 2^1.5 higher."""
    assert normalised_pressure_drop(10 * 2**1.5, 4, 2, 2, 1) == pytest.approx(10)
    assert np.isnan(normalised_pressure_drop(10, 0, 0, 2, 1))
    assert pressure_drop_temperature_factor(15) == pytest.approx(0.83)


@pytest.fixture(scope="module")
def constant_membrane():
    """Readings without gauge error of membranes that never change, at sites where everything else does."""
    rng = np.random.default_rng(20)
    at_d = 7.0 * np.arange(WEEKS)[None, :] + rng.uniform(-1, 1, (UNITS, WEEKS)) + 3
    site = swinging_site(rng, at_d)
    answer = respond(site, 0.0075 * np.ones_like(at_d), 0.012 * np.ones_like(at_d), 8 * np.ones_like(at_d))
    rows = np.arange(UNITS)
    return to_readings(rows[:, None], at_d, site, answer), some_membranes(rows, 0.0)


def spread(values):
    """Largest relative distance from the unit's median."""
    table = values.reshape(UNITS, WEEKS)
    return np.abs(table / np.median(table, axis=1, keepdims=True) - 1).max()


def scatter(values):
    """Standard deviation of the relative distance from the unit's median."""
    table = values.reshape(UNITS, WEEKS)
    return (table / np.median(table, axis=1, keepdims=True) - 1).std()


def test_normalised_flow_of_a_constant_membrane_stays_within_two_percent(constant_membrane):
    """4 to 32 °C, 120 to 180 psi, 200 to 900 mg/L, recovery 0.3 to 0.7: raw flow moves by more than a third,
    normalised flow by 1.2 % at most (what is left: log-mean and osmotic line against the true integral)."""
    readings, parts = constant_membrane
    _, series = assess_performance(some_units(UNITS), parts, readings, 7.0 * WEEKS)
    assert len(series.unit_row) == UNITS * WEEKS
    assert spread(series.raw_flow_gpm) > 0.4
    assert spread(series.normalised_flow_gpm) < 0.02
    assert not series.is_simple_form.any()


def test_normalised_salt_passage_of_a_constant_membrane_stays_within_two_percent(constant_membrane):
    readings, parts = constant_membrane
    _, series = assess_performance(some_units(UNITS), parts, readings, 7.0 * WEEKS)
    raw = readings.permeate_conductivity_us_cm / readings.feed_conductivity_us_cm
    assert spread(raw) > 0.25
    assert spread(series.salt_passage) < 0.02


def test_the_pressure_form_of_salt_passage_agrees_on_a_constant_membrane(constant_membrane):
    """Both published forms hold still on a sound membrane, each to its own standard conditions."""
    readings, _ = constant_membrane
    recovery = readings.permeate_flow_gpm / (readings.permeate_flow_gpm + readings.concentrate_flow_gpm)
    brine = 0.5 * readings.feed_conductivity_us_cm * log_mean_factor(recovery)
    osmotic = osmotic_pressure_from_tds(brine, readings.feed_temperature_c)
    drop = readings.feed_pressure_psi - readings.concentrate_pressure_psi
    driving = net_driving_pressure(readings.feed_pressure_psi, drop, readings.permeate_pressure_psi, osmotic)
    permeate = 0.5 * readings.permeate_conductivity_us_cm
    standard = permeate_concentration_pressure_form(permeate, driving, brine, 130.0, 700.0)
    assert spread(standard) < 0.03


def test_the_two_forms_part_when_flow_is_lost():
    """A membrane that lost a fifth of its flow and none of its skin: salt passage by flow stands still, by
    pressure it rises by a quarter."""
    lost = 0.8
    by_flow = salt_passage_flow_form(0.02 / lost, lost * 1.0, 1.0, 1.386, 1.0, 1.386)
    by_pressure = permeate_concentration_pressure_form(10 / lost, 130, 700, 130, 700)
    assert by_flow == pytest.approx(0.02)
    assert by_pressure == pytest.approx(10 / lost)


SOME, ALONE = "flow_error_some_gauges", "flow_error_temperature_only"


@pytest.mark.parametrize(
    ("missing", "form"),
    [
        ("permeate_pressure_psi", SOME),
        ("concentrate_pressure_psi", SOME),
        ("concentrate_flow_gpm", SOME),
        ("feed_pressure_psi", ALONE),
        ("feed_conductivity_us_cm", ALONE),
    ],
)
def test_a_missing_gauge_gives_the_simple_form_with_its_stated_error(constant_membrane, missing, form):
    """The scatter the settings state for the form covers what a constant membrane shows; the worst of the
    form comes to more than half of it, so the figure is not idle."""
    readings, parts = constant_membrane
    readings = replace(readings, **{missing: np.full_like(readings.read_at_d, np.nan)})
    _, series = assess_performance(some_units(UNITS), parts, readings, 7.0 * WEEKS)
    assert series.is_simple_form.all()
    stated = getattr(PerformanceSettings(), form)
    assert scatter(series.normalised_flow_gpm) < stated
    if missing in ("permeate_pressure_psi", "feed_pressure_psi"):
        assert scatter(series.normalised_flow_gpm) > stated / 2


@pytest.mark.parametrize("missing", ["permeate_flow_gpm", "feed_temperature_c"])
def test_without_flow_or_temperature_nothing_is_normalised(constant_membrane, missing):
    readings, parts = constant_membrane
    readings = replace(readings, **{missing: np.full_like(readings.read_at_d, np.nan)})
    judged, series = assess_performance(some_units(UNITS), parts, readings, 7.0 * WEEKS)
    assert len(series.unit_row) == 0
    assert np.isnan(judged.normalised_flow_gpm).all()


def test_an_unknown_membrane_constant_is_marked_as_the_simple_form(constant_membrane):
    readings, _ = constant_membrane
    parts = some_membranes(np.arange(UNITS), 0.0, np.nan, np.nan)
    _, series = assess_performance(some_units(UNITS), parts, readings, 7.0 * WEEKS)
    assert series.is_simple_form.all()
    assert spread(series.normalised_flow_gpm) < 0.12


ABSURD = [0.0, -5.0, -1e9, 1e300, -1e300, 1e-300, 5e-324, np.inf, -np.inf, np.nan]


def test_absurd_gauges_and_constants_give_unknown_and_never_a_warning():
    """Every gauge with every absurd value, and membranes with absurd constants; warnings fail here."""
    for seed, name in enumerate(BELIEVABLE):
        made = make_shard(12, 12, seed=seed, now_d=20_000.0)
        column = getattr(made.performance, name).copy()
        column[: len(ABSURD)] = ABSURD
        found = assess_shard(replace(made, performance=replace(made.performance, **{name: column})), 20_000.0)
        assert not np.isinf(found.series.normalised_flow_gpm).any()
    made = make_shard(12, 12, seed=1, now_d=20_000.0)
    constant = np.resize(np.array(ABSURD), len(made.parts.part_id))
    for name in ("temperature_k_below_25", "temperature_k_from_25"):
        found = assess_shard(replace(made, parts=replace(made.parts, **{name: constant})), 20_000.0)
        assert found.series.is_simple_form[np.isfinite(found.series.normalised_flow_gpm)].any()


@pytest.mark.parametrize("divisor", [0.0, -1.0, np.nan])
def test_a_divisor_that_is_not_above_0_gives_unknown(divisor):
    """No infinity, no sign turned round."""
    assert np.isnan(normalised_flow(1.0, divisor, 0.9, 60.0))
    assert np.isnan(normalised_flow(1.0, 60.0, divisor, 60.0))
    assert np.isnan(salt_passage_flow_form(0.02, 1.0, 0.9, 1.1, divisor, 1.1))
    assert np.isnan(permeate_concentration_pressure_form(10.0, 60.0, divisor, 60.0, 500.0))
