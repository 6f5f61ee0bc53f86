"""Weibull lives for arrays of parts, against scipy and the definition."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import weibull_min

from fleet.science.learning import LearnedLife, conditional_survival, mean_life, remaining_life, survival

AGES = np.array([0.0, 10.0, 900.0, 4000.0, 12_000.0])
SCALES = np.array([5000.0, 5000.0, 800.0, 3000.0, 9000.0])
SHAPES = np.array([0.8, 1.0, 1.7, 2.5, 4.0])


def test_survival_and_mean_agree_with_scipy():
    reference = weibull_min(SHAPES, scale=SCALES)
    assert survival(AGES, SCALES, SHAPES) == pytest.approx(reference.sf(AGES), rel=1e-12)
    assert mean_life(SCALES, SHAPES) == pytest.approx(reference.mean(), rel=1e-12)


def test_mean_life_of_the_nist_example():
    """NIST e-Handbook 8.4.1.3 prints a mean of 540.737 for shape 1.7208 and scale 606.5280."""
    assert mean_life(606.5280, 1.7208) == pytest.approx(540.737, abs=0.01)


def test_conditional_survival_is_the_ratio_of_two_survivals():
    reference = weibull_min(SHAPES, scale=SCALES)
    expected = reference.sf(AGES + 700) / reference.sf(AGES)
    assert conditional_survival(AGES, 700.0, SCALES, SHAPES) == pytest.approx(expected, rel=1e-12)


def test_conditional_survival_holds_where_both_survivals_underflow():
    """exp(-30² ) and exp(-30.01²) are both 0 in floating point; their ratio is exp(-0.6001)."""
    assert conditional_survival(30.0, 0.01, 1.0, 2.0) == pytest.approx(np.exp(-0.6001), rel=1e-9)


def test_memoryless_parts_are_as_good_as_new_at_any_age():
    assert conditional_survival(AGES, 500.0, 1000.0, 1.0) == pytest.approx(np.full(5, np.exp(-0.5)))


@given(
    age=st.floats(0, 20_000),
    chance=st.floats(0.001, 0.999),
    scale=st.floats(100, 50_000),
    shape=st.floats(0.5, 6),
)
def test_remaining_life_inverts_conditional_survival(age, chance, scale, shape):
    further = remaining_life(age, chance, scale, shape)
    lost_digits = 1e-13 * (age / scale) ** shape
    back = 1 - conditional_survival(age, further, scale, shape)
    assert back == pytest.approx(chance, rel=1e-6, abs=1e-9 + 100 * lost_digits)


def test_a_chance_of_one_has_no_date():
    assert np.isnan(remaining_life(0.0, [1.0, -0.1, 1.2], 1000.0, 2.0)).all()


def test_scale_follows_the_covariates_and_an_unknown_one_counts_as_the_rating():
    life = LearnedLife(
        log_scale=np.log(5000),
        log_shape=np.log(2.0),
        coefficients=np.array([-1.0, 0.0]),
        laws=np.array([-1.0, 0.0]),
        typical=np.zeros(2),
        standard_errors=np.full(4, 0.1),
        covariate_names=("chlorine", "hardness"),
        covariates_used=("chlorine",),
        parts=50,
        failures=20,
        rating_share=0.3,
    )
    twice_half_and_unknown = np.array([[np.log(2), 0.3], [np.log(0.5), 0.3], [np.nan, 0.3]])
    assert life.scale_at(twice_half_and_unknown) == pytest.approx([2500, 10_000, 5000])
    assert survival(life.median, 5000.0, life.shape) == pytest.approx(0.5)
