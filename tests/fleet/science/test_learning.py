"""Lives learned from censored and late-entry removals, against published sets and known truth."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines.datasets import load_larynx, load_waltons
from scipy.optimize import minimize

from fleet.science.learning import (
    LearnedLife,
    LearningSettings,
    NotEnoughData,
    PartHistories,
    ends_a_life,
    learn_life,
    relative_conditions,
)

DATA_ALONE = LearningSettings(rating_weight_failures=0.0)
NO_RATING = float("nan")


def histories(exit_age, ended, entry_age=0.0, covariates=None, names=()):
    exit_age = np.asarray(exit_age, dtype=float)
    count = len(exit_age)
    return PartHistories(
        entry_age=np.broadcast_to(np.asarray(entry_age, dtype=float), count),
        exit_age=exit_age,
        ended=np.asarray(ended, dtype=bool),
        covariates=np.empty((count, 0)) if covariates is None else np.asarray(covariates, dtype=float),
        covariate_names=tuple(names),
    )


def simulated(count, seed, *, shape=2.2, scale=6000.0, late=True, effect=-0.8):
    """Parts whose records begin at a random age, some taken out early, with a known chlorine effect."""
    random = np.random.default_rng(seed)
    chlorine = random.normal(0, 0.5, count)
    life = scale * np.exp(effect * chlorine) * random.weibull(shape, count)
    entry = random.uniform(0, 5000, count) if late else np.zeros(count)
    planned = random.uniform(2000, 12_000, count)
    seen = np.minimum(life, planned) > entry
    return histories(
        np.minimum(life, planned)[seen],
        (life <= planned)[seen],
        entry[seen],
        chlorine[seen, None],
        ("chlorine",),
    )


@pytest.fixture
def nist(request):
    table = pd.read_csv(request.config.rootpath / "tests/data/survival/nist_8_4_1_3.csv", comment="#")
    return histories(table["hours"], table["failed"])


def test_right_censored_set_of_nist(nist):
    """NIST e-Handbook 8.4.1.3: shape 1.7208, scale 606.5280."""
    life = learn_life(nist, NO_RATING, DATA_ALONE)
    assert life.shape == pytest.approx(1.7208, abs=1e-4)
    assert np.exp(life.log_scale) == pytest.approx(606.5280, abs=0.01)
    assert (life.parts, life.failures) == (20, 10)


def test_flies_of_the_lifelines_documentation():
    """163 flies, 156 deaths. The documentation prints a shape of 3.45, a rate of 0.02 and -672.062; the scale
    of 55.73 is a value from memory of a newer edition."""
    flies = load_waltons()
    life = learn_life(histories(flies["T"], flies["E"]), NO_RATING, DATA_ALONE)
    assert life.shape == pytest.approx(3.45, abs=0.005)
    assert np.exp(life.log_scale) == pytest.approx(55.73, abs=0.005)
    relative = flies["T"].to_numpy() / np.exp(life.log_scale)
    hazard = np.log(life.shape / np.exp(life.log_scale)) + (life.shape - 1) * np.log(relative)
    likelihood = np.sum(flies["E"] * hazard - relative**life.shape)
    assert likelihood == pytest.approx(-672.062, abs=0.001)


def test_covariates_of_a_censored_clinical_set():
    """90 patients, 50 deaths, four covariates. The R package SurvRegCensCov prints, on its larynx example, a
    hazard form: lambda 0.01853664, gamma 1.13014371, stages 0.16692694 0.66289534 1.74502788, age 0.01973646.
    Divided by -gamma they are effects on the log of life."""
    names = ("Stage_II", "Stage_III", "Stage_IV", "age")
    patients = load_larynx()
    life = learn_life(
        histories(patients["time"], patients["death"], covariates=patients[list(names)], names=names),
        NO_RATING,
        DATA_ALONE,
    )
    gamma = 1.13014371
    printed = -np.array([0.16692694, 0.66289534, 1.74502788, 0.01973646]) / gamma
    assert life.shape == pytest.approx(gamma, rel=1e-4)
    assert life.coefficients == pytest.approx(printed, abs=1e-4)
    assert life.log_scale == pytest.approx(-np.log(0.01853664) / gamma, abs=1e-3)
    assert life.covariates_used == names


def test_known_truth_comes_back_from_late_entries():
    life = learn_life(simulated(6000, seed=11), NO_RATING, DATA_ALONE)
    truth = np.array([np.log(6000), np.log(2.2), -0.8])
    found = np.array([life.log_scale, life.log_shape, life.coefficients[0]])
    assert (np.abs(found - truth) < 3 * life.standard_errors).all()
    assert (life.standard_errors < 0.05).all()


def test_forgetting_the_late_entry_would_overstate_life():
    full = simulated(6000, seed=11)
    forgetful = histories(full.exit_age, full.ended, 0.0, full.covariates, ("chlorine",))
    life = learn_life(forgetful, NO_RATING, DATA_ALONE)
    assert life.log_scale - np.log(6000) > 5 * life.standard_errors[0]


def test_stated_errors_are_as_large_as_the_real_ones():
    """Over 40 small fleets, the error of each estimate over its stated error has a spread near 1."""
    truth = np.array([np.log(6000), np.log(2.2), -0.8])
    scores = []
    for seed in range(40):
        life = learn_life(simulated(150, seed=seed), NO_RATING, DATA_ALONE)
        found = np.array([life.log_scale, life.log_shape, life.coefficients[0]])
        scores.append((found - truth) / life.standard_errors)
    spread = np.std(scores, axis=0)
    assert (spread > 0.7).all()
    assert (spread < 1.35).all()


def test_planned_removals_count_as_lives_cut_short():
    fleet = simulated(2000, seed=3, late=False)
    as_failures = histories(fleet.exit_age, np.ones(len(fleet.exit_age)))
    honest = learn_life(histories(fleet.exit_age, fleet.ended), NO_RATING, DATA_ALONE)
    assert honest.median > 1.1 * learn_life(as_failures, NO_RATING, DATA_ALONE).median


def test_few_failures_leave_the_rating_most_of_the_say_and_many_take_it():
    rated = 3000.0
    shares, medians = [], []
    for count in (12, 100, 5000):
        fleet = simulated(count, seed=5, late=False, effect=0.0)
        life = learn_life(histories(fleet.exit_age, fleet.ended), rated)
        alone = learn_life(histories(fleet.exit_age, fleet.ended), NO_RATING, DATA_ALONE)
        assert rated < life.median < alone.median
        shares.append(life.rating_share)
        medians.append(life.median)
    assert shares[0] > 0.4 > shares[1] > 0.1 > 0.01 > shares[2]
    assert medians[-1] == pytest.approx(6000 * np.log(2) ** (1 / 2.2), rel=0.03)


def test_the_weighted_mean_lies_near_the_true_maximum_of_prior_times_likelihood():
    fleet = simulated(120, seed=8, late=False, effect=0.0)
    ages, ended = fleet.exit_age, fleet.ended
    options = LearningSettings()
    life = learn_life(histories(ages, ended), 4000.0, options)
    weight = options.rating_weight_failures
    told = options.expected_shape**2, np.pi**2 / 6 + (1 - np.euler_gamma) ** 2

    def negative(guess):
        shape = np.exp(guess[1])
        relative = np.log(ages) - guess[0]
        likelihood = np.sum(ended * (guess[1] - guess[0] + (shape - 1) * relative) - np.exp(shape * relative))
        median = guess[0] + np.log(np.log(2)) / shape
        prior = told[0] * (median - np.log(4000)) ** 2 + told[1] * (guess[1] - np.log(2.5)) ** 2
        return 0.5 * weight * prior - likelihood

    exact = minimize(
        negative, [np.log(4600), 1.0], method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-8}
    ).x
    assert life.log_scale == pytest.approx(exact[0], abs=0.02)
    assert life.log_shape == pytest.approx(exact[1], abs=0.04)


def test_a_rating_that_agrees_with_the_data_leaves_the_median_where_it_is():
    """Within what a shape drawn to 2.5 moves it; drawn through the scale it moved by a seventh."""
    fleet = simulated(60, seed=8, late=False, effect=0.0, shape=4.5)
    alone = learn_life(histories(fleet.exit_age, fleet.ended), NO_RATING, DATA_ALONE)
    life = learn_life(histories(fleet.exit_age, fleet.ended), alone.median)
    assert life.shape != pytest.approx(alone.shape, rel=0.03)
    assert life.median == pytest.approx(alone.median, rel=0.02)


@pytest.mark.parametrize("mg_l", [0.5, 3.0])
def test_the_dose_law_is_not_counted_twice(mg_l):
    """Lives by the dose law at one chlorine, 6000 gal at the 2 mg/L of the rating: learned as 6000 there,
    with and without failures enough for chlorine as a covariate."""
    for count in (15, 300):
        medians = []
        for seed in range(12):
            random = np.random.default_rng(seed)
            chlorine = np.log(mg_l * random.lognormal(0, 0.1, count) / 2.0)
            ages = 6000 * np.exp(-chlorine) * (random.weibull(2.5, count) / np.log(2) ** (1 / 2.5))
            fleet = histories(ages, np.ones(count), 0.0, chlorine[:, None], ("chlorine",))
            medians.append(learn_life(fleet, 6000.0).median_by_law)
        assert np.mean(medians) == pytest.approx(6000, rel=0.05)


def test_a_covariate_waits_for_ten_failures_of_its_own():
    fleet = simulated(26, seed=2, late=False)
    both = np.hstack([fleet.covariates, fleet.covariates[::-1]])
    life = learn_life(histories(fleet.exit_age, fleet.ended, 0, both, ("chlorine", "use")), NO_RATING)
    assert 10 <= life.failures < 20
    assert life.covariates_used == ("chlorine",)
    assert life.coefficients[1] == 0
    assert np.isnan(life.standard_errors[3])


def test_an_unknown_covariate_counts_as_the_median_of_the_known():
    fleet = simulated(400, seed=6, late=False)
    strong = fleet.covariates + 2.0
    holed, filled = strong.copy(), strong.copy()
    holed[::5], filled[::5] = np.nan, np.median(np.delete(strong, np.s_[::5]))
    lives = [
        learn_life(histories(fleet.exit_age, fleet.ended, 0, table, ("chlorine",)), 4000.0)
        for table in (holed, filled)
    ]
    assert lives[0].coefficients == pytest.approx(lives[1].coefficients, rel=1e-9)
    assert lives[0].log_scale == pytest.approx(lives[1].log_scale, rel=1e-9)


def test_a_right_rating_halves_the_error_of_ten_failures():
    """Twenty fleets of 16 parts, about 10 failures each, with a right rating and without one."""
    truth = 6000 * np.log(2) ** (1 / 2.2)
    errors = []
    for seed in range(20):
        random = np.random.default_rng(seed)
        life, planned = 6000 * random.weibull(2.2, 16), random.uniform(2000, 12_000, 16)
        fleet = histories(np.minimum(life, planned), life <= planned)
        answers = learn_life(fleet, truth), learn_life(fleet, NO_RATING, DATA_ALONE)
        errors.append([np.log(answer.median / truth) for answer in answers])
    leaning, alone = np.sqrt(np.mean(np.square(errors), axis=0))
    assert leaning < 0.6 * alone


def test_an_unchanging_covariate_is_left_out():
    fleet = simulated(200, seed=2, late=False)
    same = np.full((len(fleet.exit_age), 1), 0.7)
    life = learn_life(histories(fleet.exit_age, fleet.ended, 0, same, ("use",)), NO_RATING)
    assert isinstance(life, LearnedLife)
    assert life.covariates_used == ()


@pytest.mark.parametrize(
    ("exit_age", "ended", "words"),
    [
        ([], [], "No part"),
        ([500, 600, 700, 800, 900, 950], [0] * 6, "No part"),
        ([500, 600, 700, 800, 900, 950], [1, 1, 1, 1, 0, 0], "Only 4 failures; 5 are needed"),
        ([500] * 8, [1] * 8, "same age"),
        ([0, 0, -5, np.nan, 0, 0], [1] * 6, "No part"),
    ],
)
def test_too_little_is_answered_with_the_reason(exit_age, ended, words):
    answer = learn_life(histories(exit_age, ended), 5000.0)
    assert isinstance(answer, NotEnoughData)
    assert words in answer.reason
    assert answer.failures_needed == 5


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.data())
def test_no_history_however_odd_raises(data):
    count = data.draw(st.integers(0, 12))
    ages = st.floats(-10, 1e6) | st.just(float("nan")) | st.sampled_from([1.0, 1.0, 1e-9])
    table = histories(
        data.draw(st.lists(ages, min_size=count, max_size=count)),
        data.draw(st.lists(st.booleans(), min_size=count, max_size=count)),
        np.array(data.draw(st.lists(st.floats(0, 1e5), min_size=count, max_size=count))),
        np.array(data.draw(st.lists(st.floats(-3, 3), min_size=count, max_size=count))).reshape(count, 1),
        ("use",),
    )
    options = LearningSettings(failures_needed=2, failures_per_covariate=1)
    answer = learn_life(table, 5000.0, options)
    assert isinstance(answer, NotEnoughData) or np.isfinite([answer.log_scale, answer.log_shape]).all()


def test_worn_and_failed_end_a_life_and_nothing_else_does():
    reasons = ["worn", "failed", "early", "planned", "unknown", ""]
    assert ends_a_life(reasons).tolist() == [True, True, False, False, False, False]


def test_an_unheard_of_reason_is_refused_by_name():
    with pytest.raises(ValueError, match="'stolen'; use one of early, failed"):
        ends_a_life(["worn", "stolen"])


def test_conditions_are_relative_to_the_rating():
    """Twice, equal to, and far below the rating; unknown, and a rating that names no condition."""
    found = relative_conditions([[4.0, 1.0], [2.0, np.nan], [0.0, 1.0]], [2.0, 0.0])
    assert found[:, 0] == pytest.approx([np.log(2), 0, np.log(0.05)])
    assert np.isnan(found[:, 1]).all()
