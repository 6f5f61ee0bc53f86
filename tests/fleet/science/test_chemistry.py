"""Conversions, concentration and osmotic pressure against printed values."""

import numpy as np
import pytest

from fleet.science.chemistry import (
    MeterMode,
    calcium_from_hardness,
    concentrate_factor,
    conductivity_from_tds,
    gpg_from_hardness,
    hardness_from_gpg,
    hardness_from_ions,
    ionic_strength,
    ionic_strength_from_tds,
    log_mean_factor,
    magnesium_from_hardness,
    osmotic_pressure_from_molality,
    osmotic_pressure_from_tds,
    tds_from_conductivity,
)
from shared.measures import PSI_PER_BAR
from tests.fleet.science.published import published


def test_a_grain_per_gallon_is_17_118_mg_l():
    """Handbooks print 17.1; the exact grain and gallon (NIST SP 811) give 17.118."""
    assert hardness_from_gpg(1) == pytest.approx(17.118, abs=5e-4)
    assert gpg_from_hardness(171.18) == pytest.approx(10, abs=1e-3)


def test_hardness_of_calcium_and_magnesium_follows_their_equivalent_weights():
    """Atomic weights: Ca 40.078, Mg 24.305, CaCO3 100.086 (IUPAC)."""
    assert hardness_from_ions(40.078, 0) == pytest.approx(100.086, rel=2e-4)
    assert hardness_from_ions(0, 24.305) == pytest.approx(100.086, rel=2e-4)
    assert hardness_from_ions(calcium_from_hardness(150), magnesium_from_hardness(50)) == pytest.approx(200)


@pytest.mark.parametrize(
    ("mode", "column"),
    [(MeterMode.KCL, "kcl"), (MeterMode.NACL, "nacl"), (MeterMode.FOUR_FOUR_TWO, "four_four_two")],
)
def test_meter_modes_reproduce_the_printed_factors(mode, column):
    """Meter manuals: 1413 µS/cm is 1000 ppm in 442 mode and 702 ppm as sodium chloride."""
    table = published("conductivity_standards")
    tds = tds_from_conductivity(table["conductivity_us_cm"], mode)
    np.testing.assert_allclose(tds, table["conductivity_us_cm"] * table[column], rtol=1e-12)


def test_a_meter_standard_of_1413_reads_1000_ppm_in_442_mode_and_702_as_salt():
    assert tds_from_conductivity(1413, MeterMode.FOUR_FOUR_TWO) == pytest.approx(1000, abs=1)
    assert tds_from_conductivity(1413, MeterMode.NACL) == pytest.approx(702, abs=1)


@pytest.mark.parametrize("mode", list(MeterMode))
def test_conductivity_and_tds_convert_back_within_half_a_percent(mode):
    conductivity = np.geomspace(20, 40_000, 60)
    back = conductivity_from_tds(tds_from_conductivity(conductivity, mode), mode)
    np.testing.assert_allclose(back, conductivity, rtol=5e-3)


def test_water_without_salt_reads_zero_in_every_mode():
    for mode in MeterMode:
        assert tds_from_conductivity(0.0, mode) == 0
        assert conductivity_from_tds(0.0, mode) == 0


def test_ionic_strength_of_a_salt_and_of_gypsum():
    """Definition (IUPAC Gold Book I03180): 0.1 m NaCl has 0.1, 0.01 m CaSO4 has 0.04 mol/kg."""
    strengths = ionic_strength([[0.1, 0.1], [0.01, 0.01]], [[1, -1], [2, -2]])
    np.testing.assert_allclose(strengths, [0.1, 0.04])
    assert ionic_strength_from_tds(400) == pytest.approx(0.01)


def test_ionic_strength_rises_by_the_concentrate_factor():
    """A membrane maker's worked example: 0.0444 in the feed, 0.178 at 75 % recovery."""
    assert 0.0444 * concentrate_factor(0.75) == pytest.approx(0.178, abs=4e-4)


def test_concentrate_factor_with_and_without_salt_passage():
    """ASTM D3739-94(98) section 7.1."""
    assert concentrate_factor(0.5) == 2
    assert concentrate_factor(0.75, 0.02) == pytest.approx((1 - 0.75 * 0.02) / 0.25)


@pytest.mark.parametrize("recovery", [0.15, 0.25, 0.5, 0.72, 0.75, 0.9])
def test_log_mean_factor_is_the_mean_along_the_membrane(recovery):
    """Mean of 1/(1-y) for y from 0 to Y, by numerical integration."""
    along = (np.arange(20_000) + 0.5) / 20_000 * recovery
    assert log_mean_factor(recovery) == pytest.approx((1 / (1 - along)).mean(), rel=1e-6)


def test_log_mean_factor_is_smooth_at_no_recovery():
    np.testing.assert_allclose(log_mean_factor([0, 1e-9, 1e-6, 1.01e-6]), 1, atol=1e-6)


@pytest.mark.parametrize("recovery", [-0.1, 1.0, 1.2, np.nan])
def test_a_recovery_that_cannot_be_gives_no_number(recovery):
    assert np.isnan(log_mean_factor(recovery))
    assert np.isnan(concentrate_factor(recovery))


def test_osmotic_pressure_of_tap_water_is_near_ten_psi_per_thousand_mg_l():
    """A household manual (p. 18) and Water Treatment Plant Design (p. 13.10): 1 psi per 100 mg/L."""
    assert osmotic_pressure_from_tds(1000, 25) == pytest.approx(10, rel=0.03)


def test_the_two_lines_of_the_osmotic_pressure_meet():
    below, above = osmotic_pressure_from_tds([19_999.999, 20_000], 25)
    assert above == pytest.approx(below, rel=1e-3)


def test_the_molal_form_is_psi_because_only_psi_agrees_with_van_t_hoff():
    """0.01 mol/kg of ions at 25 °C: van 't Hoff 0.248 bar; with bar as measure it would be 3.3."""
    ideal_psi = 0.01 * 0.0831446 * 298.15 * PSI_PER_BAR
    assert osmotic_pressure_from_molality(0.01, 25) == pytest.approx(ideal_psi, rel=0.08)
