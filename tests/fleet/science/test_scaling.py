"""Scaling indices and limits against printed examples, and the recovery where scale starts."""

from dataclasses import replace

import numpy as np
import pytest

from fleet.science.carbonate import (
    concentrate_ph,
    gypsum_saturation,
    langelier_index,
    ryznar_index,
    saturation_ph,
    silica_solubility,
    stiff_davis_index,
)
from fleet.science.scaling import (
    HIGHEST_RECOVERY,
    FeedWater,
    ScaleKind,
    ScalingLimits,
    carbonate_index,
    limiting_recovery,
    silica_saturation,
    sulfate_saturation,
)


def water(count=1, **changes) -> FeedWater:
    """A hard tap water."""
    values = {
        "ph": 7.4,
        "temperature_c": 15.0,
        "tds_mg_l": 480.0,
        "calcium_hardness_mg_l": 180.0,
        "alkalinity_mg_l": 160.0,
        "sulfate_mg_l": 60.0,
        "silica_mg_l": 12.0,
    } | changes
    return FeedWater(**{name: np.full(count, value, dtype=float) for name, value in values.items()})


def test_langelier_of_the_printed_example():
    """corrosion-doctors.org: pH 7.5, TDS 320, Ca 150, alkalinity 34: -0.7 at 25 °C, +0.3 at 82 °C."""
    limits = saturation_ph([25, 82], 320, 150, 34)
    np.testing.assert_allclose(limits, [8.2, 7.2], atol=0.05)
    np.testing.assert_allclose(langelier_index(7.5, limits), [-0.7, 0.3], atol=0.05)
    np.testing.assert_allclose(ryznar_index(7.5, limits), 2 * limits - 7.5)


@pytest.mark.parametrize(
    ("ph", "fahrenheit", "calcium", "alkalinity", "printed"),
    [(7.0, 76, 200, 50, -0.9), (7.6, 84, 300, 75, 0.2), (8.0, 94, 400, 150, 1.1)],
)
def test_langelier_agrees_with_the_pool_table_form_within_its_spread(
    ph, fahrenheit, calcium, alkalinity, printed
):
    """pooloperationmanagement.com, a table method; methods differ by up to 0.2."""
    index = langelier_index(ph, saturation_ph((fahrenheit - 32) / 1.8, 500, calcium, alkalinity))
    assert index == pytest.approx(printed, abs=0.17)


@pytest.mark.parametrize(
    ("tds", "constant"), [(100, 9.77), (200, 9.83), (400, 9.86), (800, 9.89), (1000, 9.90)]
)
def test_saturation_ph_agrees_with_the_army_table(tds, constant):
    """TM 5-813-3 table 2-5, pHs = A + B - log Ca - log Alk (A = 2.00 at 25 °C, value from memory), runs
    about 0.1 below the log form."""
    tabled = 2.00 + constant - np.log10(150) - np.log10(100)
    assert saturation_ph(25, tds, 150, 100) == pytest.approx(tabled, abs=0.13)


def test_no_calcium_means_no_carbonate_scale():
    assert langelier_index(8, saturation_ph(25, 300, 0, 100)) == -np.inf


def test_stiff_davis_moves_one_for_one_with_ph_and_ends_where_its_curve_ends():
    low, high = stiff_davis_index([7.0, 8.0], 25, 0.5, 1000, 150)
    assert high - low == pytest.approx(1)
    assert np.isnan(stiff_davis_index(8, 25, 1.3, 1000, 150))
    assert np.isnan(stiff_davis_index(8, 25, 0, 1000, 150))


def test_gypsum_dissolves_to_881_mg_l_where_ions_do_not_hinder_each_other():
    """Ferguson & Ferguson (2010) table: 881 mg/L as the compound at 25 °C, the root of its solubility product
    without activities and pairs. Read off ours by taking both effects out at great dilution."""
    dilution = 1e-4
    mol_l = 881 / 172.17 / 1000 * dilution
    saturation = gypsum_saturation(mol_l * 100.09 * 1000, mol_l * 96.06 * 1000, 0.0, 25) / dilution**2
    assert saturation == pytest.approx(1, rel=0.02)


def test_amorphous_silica_dissolves_to_115_mg_l_at_25_degrees():
    """Krauskopf, solubility of amorphous silica at 25 °C: about 115 ppm; Ferguson & Ferguson print 103."""
    assert silica_solubility(25) == pytest.approx(115, rel=0.03)
    assert silica_solubility(25) == pytest.approx(103, rel=0.15)
    assert silica_solubility(5) < silica_solubility(25) < silica_solubility(40)
    assert silica_solubility(25, 9.83) == pytest.approx(2 * silica_solubility(25), rel=2e-3)


def test_the_feed_keeps_its_ph_and_the_concentrate_rises_less_than_the_shortcut():
    factor = np.array([1.0, 2.0, 4.0])
    found = concentrate_ph(7.5, 120, 0.01, 15, factor)
    assert found[0] == pytest.approx(7.5, abs=1e-9)
    assert (np.diff(found) > 0).all()
    assert (found[1:] < 7.5 + np.log10(factor[1:])).all()


def test_the_recovery_found_puts_the_concentrate_on_its_limit():
    """Each kind of scale by itself: just below the recovery it holds, just above it does not."""
    feed = water(3, silica_mg_l=[20, 30, 45], sulfate_mg_l=[300, 500, 700], ph=[6.6, 6.8, 7.0])
    limits = ScalingLimits()
    found = limiting_recovery(feed, limits)
    for recovery, measure, limit in (
        (found.carbonate, carbonate_index, limits.carbonate_index),
        (found.sulfate, sulfate_saturation, limits.sulfate_saturation),
        (found.silica, silica_saturation, limits.silica_saturation),
    ):
        assert ((recovery > 0) & (recovery < HIGHEST_RECOVERY)).all()
        np.testing.assert_allclose(measure(feed, recovery), limit, atol=1e-6)
        assert (measure(feed, recovery - 1e-4) < limit).all()


def test_the_least_recovery_governs_and_is_named():
    silica = limiting_recovery(water(ph=6.0, alkalinity_mg_l=20, silica_mg_l=60))
    assert silica.governing[0] == ScaleKind.SILICA
    assert silica.recovery[0] == silica.silica[0] == pytest.approx(1 - 60 / silica_solubility(15), abs=2e-3)
    lime = limiting_recovery(water())
    assert lime.governing[0] == ScaleKind.CALCIUM_CARBONATE
    gypsum = limiting_recovery(
        water(ph=6.0, alkalinity_mg_l=10, calcium_hardness_mg_l=900, sulfate_mg_l=1000)
    )
    assert gypsum.governing[0] == ScaleKind.CALCIUM_SULFATE


def test_a_feed_that_scales_by_itself_allows_no_recovery():
    found = limiting_recovery(water(ph=8.6, temperature_c=30))
    assert found.carbonate[0] == 0
    assert found.governing[0] == ScaleKind.CALCIUM_CARBONATE


def test_a_soft_water_reaches_no_limit():
    found = limiting_recovery(
        water(ph=6.2, calcium_hardness_mg_l=2, alkalinity_mg_l=10, silica_mg_l=1, sulfate_mg_l=1, tds_mg_l=30)
    )
    assert found.recovery[0] == HIGHEST_RECOVERY
    assert found.governing[0] == ScaleKind.NONE


def test_a_missing_test_leaves_only_its_own_limit_unknown():
    found = limiting_recovery(water(silica_mg_l=np.nan, sulfate_mg_l=np.nan))
    assert np.isnan(found.silica[0])
    assert np.isnan(found.sulfate[0])
    assert found.recovery[0] == found.carbonate[0]
    nothing = limiting_recovery(water(temperature_c=np.nan))
    assert np.isnan(nothing.recovery[0])
    assert nothing.governing[0] == ScaleKind.NONE


def test_silica_alone_is_judged_without_ph():
    found = limiting_recovery(water(ph=np.nan, silica_mg_l=30))
    assert found.governing[0] == ScaleKind.SILICA
    assert found.recovery[0] == pytest.approx(1 - 30 / silica_solubility(15), abs=2e-3)


def test_carbonate_reached_below_ten_thousand_is_not_taken_back_above():
    """Stiff and Davis's index starts lower than Langelier's ends; the recovery is the first that scales."""
    feed = water(tds_mg_l=9000, ph=6.98, calcium_hardness_mg_l=500, alkalinity_mg_l=200, temperature_c=25)
    found = limiting_recovery(feed)
    reached = carbonate_index(feed, found.carbonate)
    assert 0 < found.carbonate[0] < 0.1
    assert reached[0] == pytest.approx(0, abs=1e-6)


def test_each_water_is_judged_alone():
    waters = replace(water(3), ph=np.array([6.5, 7.4, 8.6]))
    together = limiting_recovery(waters)
    for row in range(3):
        alone = limiting_recovery(
            FeedWater(**{name: column[row : row + 1] for name, column in vars(waters).items()})
        )
        assert alone.recovery[0] == together.recovery[row]


def test_no_waters_give_no_rows():
    assert limiting_recovery(water(0)).recovery.shape == (0,)
