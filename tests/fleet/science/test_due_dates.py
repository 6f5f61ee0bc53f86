"""Due dates: against scipy's inverse Gaussian, against simulation, and at the edges."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import invgauss

from fleet.science.due_dates import (
    EARLY,
    LATE,
    LIKELY,
    DueWindow,
    due_window,
    passage_chance,
    passage_density,
    passage_time,
)
from fleet.science.season import SeasonClock
from fleet.science.use import compute_use
from tests.fleet.science.labelled_meters import NO_GAUGES
from tests.fleet.science.small_shard import meter, units

PARTS = 10_000
STATED = {EARLY: "early_d", LIKELY: "likely_d", LATE: "late_d"}
FLAT = SeasonClock()


def cover(passed_d, window):
    """Points by which the share past each stated date is off the statement; pytest -s prints them."""
    off = {
        chance: 100 * (np.mean(passed_d <= getattr(window, name)) - chance) for chance, name in STATED.items()
    }
    print("  ".join(f"{chance:.0%}: {points:+.2f}" for chance, points in off.items()))
    return off


def walk(rng, drift, sigma, limit, *, step=0.25, days=800, season=FLAT, start=0.0):
    """First passage of a drifting walk; between steps the bridge is drawn, so the step does not matter."""
    parts = len(limit)
    position, passed = np.zeros(parts), np.full(parts, np.inf)
    for number in range(int(days / step)):
        edges = season.worked_days(np.array([start + number * step, start + (number + 1) * step]))
        length = edges[1] - edges[0]
        new = position + drift * length + sigma * np.sqrt(length) * rng.normal(size=parts)
        touch = np.exp(
            -2 * np.maximum(limit - position, 0) * np.maximum(limit - new, 0) / (sigma**2 * length)
        )
        crosses = np.isinf(passed) & ((new >= limit) | (rng.random(parts) < touch))
        passed[crosses] = (number + rng.random(crosses.sum())) * step
        position = new
        if np.isfinite(passed).all():
            break
    return passed


@pytest.mark.parametrize("spread", [0.05, 0.3, 1.0])
def test_with_a_known_drift_it_is_the_inverse_gaussian(spread):
    """scipy.stats.invgauss with mean 1 and shape 1/s²: mu = s², scale = 1/s²."""
    times = np.linspace(0.05, 5, 200)
    known = invgauss(mu=spread**2, scale=1 / spread**2)
    none = np.zeros_like(times)
    width = np.full_like(times, spread)
    assert passage_chance(times, width, none) == pytest.approx(known.cdf(times), abs=1e-9)
    assert passage_density(times, width, none) == pytest.approx(known.pdf(times), abs=1e-9)


@settings(max_examples=80, deadline=None)
@given(spread=st.floats(0.01, 2), error=st.floats(0, 0.6), chance=st.sampled_from([0.1, 0.5, 0.9]))
def test_the_time_is_the_inverse_of_the_chance(spread, error, chance):
    """Wherever the chance is reached at all within 60 times the expected time."""
    width, doubt = np.array([spread]), np.array([error])
    time = passage_time(chance, width, doubt)
    if time[0] < 59:
        assert passage_chance(time, width, doubt)[0] == pytest.approx(chance, abs=1e-5)


@settings(max_examples=60, deadline=None)
@given(spread=st.floats(0.02, 1.5), error=st.floats(0, 0.5))
def test_dates_come_in_order_and_more_doubt_widens_them(spread, error):
    """Early before likely before late; doubt about the drift never narrows the window."""
    width, doubt = np.array([spread]), np.array([error])
    early, likely, late = (passage_time(chance, width, doubt)[0] for chance in STATED)
    sure_early, _, sure_late = (passage_time(chance, width, 0 * doubt)[0] for chance in STATED)
    assert early < likely < late
    assert early <= sure_early + 1e-6
    assert late >= sure_late - 1e-6


@pytest.mark.parametrize(("spread", "error"), [(0.1, 0.05), (0.4, 0.15), (0.3, 0.4), (1.0, 0.2)])
def test_the_density_is_the_slope_of_the_chance(spread, error):
    """By central differences."""
    times, step = np.linspace(0.1, 4, 60), 1e-5
    width, doubt = np.full(60, spread), np.full(60, error)
    rise = passage_chance(times + step, width, doubt) - passage_chance(times - step, width, doubt)
    assert passage_density(times, width, doubt) == pytest.approx(rise / (2 * step), abs=1e-5)


@pytest.mark.parametrize(
    ("spread", "step"), [(5.0, 0.1), (20.0, 0.5), (60.0, 1.0)], ids=["even", "usual", "wild"]
)
def test_stated_dates_cover_ten_thousand_simulated_parts(spread, step):
    """Known drift 40 gal/day, limits from two weeks to half a year away: within 1.5 points."""
    rng = np.random.default_rng(41)
    limit = rng.uniform(600, 7200, PARTS)
    passed = walk(rng, 40.0, spread, limit, days=3000, step=step)
    many = np.full(PARTS, spread / 40.0)
    window = due_window(np.zeros(PARTS), limit / 40.0, many, np.zeros(PARTS), np.full(PARTS, np.nan), FLAT)
    for chance, off in cover(passed, window).items():
        assert abs(off) < 1.5, f"{chance:.0%} date covers {off:+.2f} points off"


def test_stated_dates_cover_when_the_drift_is_estimated_from_readings():
    """Units differ from their design duty and are known by 2 to 30 weekly readings: within 1.5 points."""
    rng = np.random.default_rng(43)
    rules = units().design_use_gal_per_day[0]
    drift = rng.normal(rules, 0.5 * rules, 2 * PARTS)
    drift = drift[drift > 4.0][:PARTS]
    sigma = 0.7 * rules
    many = units(PARTS)
    weeks = rng.integers(2, 31, PARTS)
    rows = np.repeat(np.arange(PARTS), weeks)
    gal = rng.normal(7 * drift[rows], sigma * np.sqrt(7.0))
    place = np.arange(len(rows)) - np.searchsorted(rows, rows)
    gal[place == 0] = 0
    totals = 1e6 + np.cumsum(gal) - np.cumsum(gal)[np.searchsorted(rows, rows)]
    readings = meter(totals, unit=rows, rollover=1e9)
    readings.read_at_d[:] = 20_000 - 7.0 * (weeks[rows] - 1 - place)
    readings.meter_id[:] = rows
    use, faults, _ = compute_use(many, readings, NO_GAUGES, 20_000.0)
    clean = np.ones(PARTS, dtype=bool)
    clean[faults.unit_row] = False
    limit = rng.uniform(1500, 9000, PARTS)
    passed = walk(rng, drift, sigma, limit, days=4000, step=1.0)
    rate = use.permeate_gal_per_day
    window = due_window(
        np.zeros(PARTS),
        limit / rate,
        use.spread_gal_per_sqrt_day / rate,
        use.drift_sd_gal_per_day / rate,
        np.full(PARTS, np.nan),
        FLAT,
    )
    assert clean.mean() > 0.8
    sure = DueWindow(*(getattr(window, name)[clean] for name in STATED.values()))
    for chance, off in cover(passed[clean], sure).items():
        assert abs(off) < 1.5, f"{chance:.0%} date covers {off:+.2f} points off"


@pytest.mark.parametrize(
    "factors",
    [
        (0.5, 0.5, 0.7, 0.9, 1.2, 1.5, 1.6, 1.5, 1.2, 0.9, 0.8, 0.7),
        (0.8, 0.8, 0.8, 0.8, 0.8, 0.8, 3.2, 0.8, 0.8, 0.8, 0.8, 0.8),
    ],
    ids=["season", "surge"],
)
def test_stated_dates_cover_wear_that_speeds_up(factors):
    """Summer use 3 times winter use, or one month at 4 times; parts put in all year: within 4 points."""
    rng = np.random.default_rng(47)
    season = SeasonClock(factors)
    for start in (20_000.0, 20_090.0, 20_180.0, 20_270.0):
        limit = rng.uniform(1500, 9000, PARTS // 4)
        passed = start + walk(rng, 40.0, 20.0, limit, days=900, step=0.5, season=season, start=start)
        many = np.full(len(limit), 0.5)
        none = np.full(len(limit), np.nan)
        window = due_window(np.full(len(limit), start), limit / 40.0, many, 0 * many, none, season)
        for chance, off in cover(passed, window).items():
            assert abs(off) < 4.0, f"from {start}: {chance:.0%} date covers {off:+.2f} points off"


def test_season_spread_that_does_not_follow_use_stays_within_four_points():
    """The day's spread is the same all year while use triples; the clock assumes it grows with use."""
    rng = np.random.default_rng(53)
    season = SeasonClock((0.5, 0.5, 0.7, 0.9, 1.2, 1.5, 1.6, 1.5, 1.2, 0.9, 0.8, 0.7))
    limit = rng.uniform(1500, 9000, PARTS)
    start, step = 20_000.0, 0.5
    position, passed = np.zeros(PARTS), np.full(PARTS, np.inf)
    for number in range(1600):
        edges = season.worked_days(np.array([start + number * step, start + (number + 1) * step]))
        position += 40.0 * (edges[1] - edges[0]) + 20.0 * np.sqrt(step) * rng.normal(size=PARTS)
        passed[np.isinf(passed) & (position >= limit)] = start + (number + 0.5) * step
    many = np.full(PARTS, 0.5)
    window = due_window(np.full(PARTS, start), limit / 40.0, many, 0 * many, np.full(PARTS, np.nan), season)
    for chance, off in cover(passed, window).items():
        assert abs(off) < 4.0, f"{chance:.0%} date covers {off:+.2f} points off"


def test_the_calendar_caps_every_date():
    """Use would take 100 days; the calendar allows 30."""
    window = due_window(
        np.array([0.0]), np.array([100.0]), np.array([0.5]), np.array([0.0]), np.array([30.0]), FLAT
    )
    assert (window.early_d[0], window.likely_d[0], window.late_d[0]) == (30.0, 30.0, 30.0)


def test_a_limit_passed_before_gives_its_day_and_none_gives_none():
    """Ten days of use too late; and a part without any limit."""
    window = due_window(
        np.array([50.0, 50.0]),
        np.array([-10.0, np.nan]),
        np.array([0.5, 0.5]),
        np.zeros(2),
        np.full(2, np.nan),
        FLAT,
    )
    assert window.early_d[0] == window.late_d[0] == 40.0
    assert np.isnan(window.likely_d[1])


@pytest.mark.parametrize(("shape", "spread", "worn"), [(2.0, 0.7, 0.0), (3.0, 1.5, 0.3), (6.0, 0.7, 0.5)])
def test_a_learned_life_of_uncertain_length_widens_the_dates_as_far_as_simulation_does(shape, spread, worn):
    """10 000 lives drawn from a Weibull law, each used by a drifting walk; within 1.5 points."""
    rng = np.random.default_rng(11)
    rate, median = 40.0, 8_000.0
    life = median * (rng.exponential(size=PARTS) / np.log(2)) ** (1 / shape)
    left = life - worn * median
    passed = walk(rng, rate, spread * rate, np.maximum(left, 1e-6))
    passed = np.where(left <= 0, left / rate, passed)
    many = np.ones(PARTS)
    window = due_window(
        0 * many, many * (1 - worn) * median / rate, spread * many, 0 * many, np.nan * many, FLAT,
        many * median / rate, shape * many,
    )  # fmt: skip
    assert all(abs(points) <= 1.5 for points in cover(passed, window).values())
    certain = due_window(
        0 * many, many * (1 - worn) * median / rate, spread * many, 0 * many, np.nan * many, FLAT
    )
    assert (window.early_d < certain.early_d).all()
    assert (window.late_d > certain.late_d).all()
    assert window.likely_d == pytest.approx(certain.likely_d)
