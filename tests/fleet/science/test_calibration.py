"""Calibration: intervals and scores against printed values and scipy, tables against simulation."""

import numpy as np
import pytest
from scipy.stats import binomtest

from fleet.science.calibration import brier_score, calibration_table, wilson_interval
from fleet.science.learning import conditional_survival


def test_wilson_interval_printed_values():
    """Test cases of a public programming puzzle on Wilson's interval, made with z = 1.96."""
    happened, counted = [0, 1, 1, 10, 25, 50], [1, 1, 11, 100, 100, 100]
    low, high = wilson_interval(happened, counted)
    assert low == pytest.approx([0.0, 0.206543, 0.016232, 0.055229, 0.175451, 0.403830], abs=2e-5)
    assert high == pytest.approx([0.793457, 1.0, 0.377365, 0.174367, 0.343046, 0.596170], abs=2e-5)


@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_wilson_interval_agrees_with_scipy(confidence):
    for happened, counted in [(0, 20), (3, 20), (20, 20), (1, 29), (81, 263)]:
        reference = binomtest(happened, counted).proportion_ci(confidence, method="wilson")
        assert wilson_interval(happened, counted, confidence) == pytest.approx(tuple(reference), abs=1e-12)


def test_brier_score_printed_values():
    """Rain said 70 % and it rains: 0.09; said 30 % and it rains: 0.49 (a metrics package's documentation)."""
    assert brier_score([0.7], [1]) == pytest.approx(0.09)
    assert brier_score([0.3], [1]) == pytest.approx(0.49)
    assert brier_score([1.0, 0.0], [1, 1]) == pytest.approx(0.5)


def test_no_outcome_no_score():
    assert np.isnan(brier_score([0.4, 0.5], [np.nan, np.nan]))


def worn_by(rng, said):
    return (rng.random(len(said)) < said).astype(float)


def test_honest_chances_lie_within_their_intervals():
    rng = np.random.default_rng(42)
    said = rng.random(20_000)
    table = calibration_table(said, worn_by(rng, said), confidence=0.999)
    assert table["is_within"].all()
    assert table["statements"].sum() == 20_000


def test_overconfident_chances_are_caught():
    """We said 10 %, three in ten were."""
    rng = np.random.default_rng(42)
    table = calibration_table(np.full(400, 0.1), worn_by(rng, np.full(400, 0.3)))
    row = table[table["statements"] > 0].squeeze()
    assert (row["from_share"], row["to_share"], row["said"]) == (0.05, 0.15, pytest.approx(0.1))
    assert not row["is_within"]
    assert row["low"] > 0.2


def test_chances_of_a_learned_life_are_calibrated_on_parts_already_old():
    """Parts of all ages, still good: the chance of 300 more gallons against what then happens."""
    rng = np.random.default_rng(7)
    shape, scale = 2.4, 5000.0
    life, age = scale * rng.weibull(shape, 40_000), rng.uniform(0, 6000, 40_000)
    life, age = life[life > age], age[life > age]
    said = 1 - conditional_survival(age, 300.0, scale, shape)
    table = calibration_table(said, (life <= age + 300).astype(float), confidence=0.999)
    seen = table[table["statements"] > 0]
    assert len(seen) >= 3
    assert seen["is_within"].all()


def test_bins_hold_their_lower_edge_and_the_last_both():
    table = calibration_table([0.0, 0.5, 0.5, 1.0], [0, 1, np.nan, 1], edges=(0.0, 0.5, 1.0))
    assert table["statements"].tolist() == [1, 2]
    assert table["unknown"].tolist() == [0, 1]
    assert table["happened"].tolist() == [0.0, 1.0]


def test_an_empty_bin_says_nothing():
    table = calibration_table([0.9], [1], edges=(0.0, 0.5, 1.0))
    assert table.loc[0, ["said", "happened", "low", "high"]].isna().all()
    assert not table.loc[0, "is_within"]


def test_a_chance_beyond_one_is_refused():
    with pytest.raises(ValueError, match="0 to 1"):
        calibration_table([1.2], [1])
    with pytest.raises(ValueError, match="1, 0 or unknown"):
        brier_score([0.2], [0.5])
