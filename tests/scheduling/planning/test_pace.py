"""The pace learned from finished visits: outside truth by exhaustive search, and silence when unsure."""

import numpy as np
import pytest

from scheduling.planning.duration_factor import DurationFactor, NotEnough, fit_factor


def some_drives(factor, count=200, seed=5):
    rng = np.random.default_rng(seed)
    reckoned = rng.uniform(3, 60, count)
    return reckoned, factor * reckoned * rng.lognormal(0, 0.15, count)


@pytest.mark.parametrize("factor", [0.7, 1.0, 1.35])
def test_the_factor_of_made_up_drives_is_found_again(factor):
    found = fit_factor(*some_drives(factor))
    assert isinstance(found, DurationFactor)
    assert found.factor == pytest.approx(factor, abs=0.04)
    assert found.error_after <= found.error_before + 0.5


def test_no_factor_on_a_fine_grid_has_less_absolute_error():
    reckoned, happened = some_drives(1.2, count=60)
    found = fit_factor(reckoned, happened)
    error = {f: np.abs(happened - f * reckoned).sum() for f in np.arange(0.5, 2.0, 0.01).round(2)}
    assert error[found.factor] <= min(error.values()) * 1.01


def test_a_tenth_of_the_drives_with_an_hour_of_coffee_hardly_moves_it():
    reckoned, happened = some_drives(1.1)
    happened[::10] += 60
    assert fit_factor(reckoned, happened).factor == pytest.approx(1.1, abs=0.06)


def test_under_the_number_needed_nothing_is_said():
    reckoned, happened = some_drives(1.3, count=49)
    found = fit_factor(reckoned, happened)
    assert isinstance(found, NotEnough)
    assert "49 finished, 50 are needed" in found.reason


def test_a_factor_beyond_belief_is_refused_with_where_to_look():
    found = fit_factor(*some_drives(3.5))
    assert isinstance(found, NotEnough)
    assert "close-outs" in found.reason


def test_what_can_not_be_the_same_visits_is_refused():
    with pytest.raises(ValueError, match="same visits"):
        fit_factor([1.0, 2.0], [1.0])
    with pytest.raises(ValueError, match="above 0"):
        fit_factor([0.0], [1.0])
