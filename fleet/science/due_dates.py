"""When a limit is reached: first passage of drifting use, capped by the calendar."""

from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr, ndtr, ndtri

from fleet.science.columns import Floats, Ints
from fleet.science.season import SeasonClock

EARLY, LIKELY, LATE = 0.1, 0.5, 0.9
"""The three stated chances."""
_MOST_TIMES = 60.0
_STEPS = 60
_LEAST_SHAPE = 0.2
_CLOSE = 1e-7


def passage_chance(times: Floats, spread: Floats, drift_error: Floats) -> Floats:
    """
    Return the chance that a drifting random walk has passed its limit.

    Parameters
    ----------
    times : array
        Elapsed time over the expected time to the limit, above 0. [-]
    spread : array
        σ/(μ·√(expected time)): standard deviation of use over the expected time, relative, above 0. [-]
    drift_error : array
        Standard deviation of the drift over the drift, 0 and above. [-]

    Returns
    -------
    array
        Chance between 0 and 1. It may stay below 1 for ever when the drift may be negative.

    Notes
    -----
    With s = spread, p = drift_error, u = times, r = √(s²u + p²u²):
    F(u) = Φ((u-1)/r) + exp(2/s² + 2p²/s⁴)·Φ(-(2p²u/s² + u + 1)/r).
    For p = 0 it is the inverse Gaussian with mean 1 and shape 1/s².

    Source
    ------
    Inverse Gaussian: Chhikara and Folks (1989). Normal drift mixed in: Peng and Tseng (2009), value from
    memory; the tests check it against simulation and scipy.stats.invgauss.
    """
    s2, p2 = spread * spread, drift_error * drift_error
    root = np.sqrt(s2 * times + p2 * times * times)
    second = 2 / s2 + 2 * p2 / (s2 * s2) + log_ndtr(-(2 * p2 * times / s2 + times + 1) / root)
    chance: Floats = np.minimum(ndtr((times - 1) / root) + np.exp(np.minimum(second, 0.0)), 1.0)
    return chance


def passage_density(times: Floats, spread: Floats, drift_error: Floats) -> Floats:
    """
    Return the derivative of ``passage_chance``.

    Parameters
    ----------
    times : array
        As in ``passage_chance``. [-]
    spread : array
        As in ``passage_chance``. [-]
    drift_error : array
        As in ``passage_chance``. [-]

    Returns
    -------
    array
        exp(-(1-u)²/(2u(s² + p²u))) / √(2πu³(s² + p²u)). [-]
    """
    variance = spread * spread + drift_error * drift_error * times
    power = -((1 - times) ** 2) / (2 * times * variance)
    return np.exp(power) / np.sqrt(2 * np.pi * times**3 * variance)


def passage_time(chance: float, spread: Floats, drift_error: Floats) -> Floats:
    """
    Return the time by which the limit is passed with a given chance.

    Parameters
    ----------
    chance : float
        Between 0 and 1.
    spread : array (n,)
        As in ``passage_chance``. [-]
    drift_error : array (n,)
        As in ``passage_chance``. [-]

    Returns
    -------
    array (n,)
        Time over the expected time, at most 60; also 60 where the chance is never reached. [-]

    Notes
    -----
    Newton steps kept inside a shrinking bracket; the start leaves the second term out, which makes it a
    quadratic. Stops at a relative step of 1e-7.
    """
    spread = np.maximum(spread, 1e-4)
    times = _without_reflection(chance, spread, drift_error)
    low, high = np.full_like(times, 1e-9), np.full_like(times, _MOST_TIMES)
    todo = np.arange(len(times))
    for _ in range(_STEPS):
        if len(todo) == 0:
            break
        u, s, p = times[todo], spread[todo], drift_error[todo]
        miss = passage_chance(u, s, p) - chance
        low[todo] = np.where(miss < 0, u, low[todo])
        high[todo] = np.where(miss < 0, high[todo], u)
        slope = passage_density(u, s, p)
        step = u - miss / np.where(slope > 1e-12, slope, 1.0)
        inside = (step > low[todo]) & (step < high[todo]) & (slope > 1e-12)
        new = np.where(inside, step, np.sqrt(low[todo] * high[todo]))
        times[todo] = new
        todo = todo[np.abs(new - u) > _CLOSE * new]
    return times


def _without_reflection(chance: float, spread: Floats, drift_error: Floats) -> Floats:
    """Solve Φ((u-1)/√(s²u + p²u²)) = chance."""
    z = float(ndtri(chance))
    s2, p2 = spread * spread, drift_error * drift_error
    a = 1 - z * z * p2
    b = -(2 + z * z * s2)
    root = np.sqrt(np.maximum(b * b - 4 * a, 0.0))
    sign = 1.0 if z >= 0 else -1.0
    solvable = a > 1e-6
    times = (-b + sign * root) / np.where(solvable, 2 * a, 1.0)
    return np.clip(np.where(solvable, times, _MOST_TIMES / 2), 1e-6, _MOST_TIMES)


@dataclass(frozen=True)
class DueWindow:
    """Three dates per part, [day]; NaN where nothing limits the part."""

    early_d: Floats
    likely_d: Floats
    late_d: Floats


def due_window(
    from_d: Floats,
    days_of_use: Floats,
    spread: Floats,
    drift_error: Floats,
    capped_at_d: Floats,
    season: SeasonClock,
    life_days: Floats | None = None,
    life_shape: Floats | None = None,
) -> DueWindow:
    """
    Return early, likely and late dates of reaching a limit.

    Parameters
    ----------
    from_d : array (n,)
        Since when use is uncertain: last reading or installation. [day]
    days_of_use : array (n,)
        Remaining days of average use from there until the nearest use-driven limit; not above 0 when it was
        passed before; NaN when no use-driven limit applies. [day]
    spread : array (n,)
        Standard deviation of use over one day of average use, relative: σ/μ. [√day]
    drift_error : array (n,)
        Relative standard deviation of μ. [-]
    capped_at_d : array (n,)
        Nearest date that does not depend on use, NaN for none. [day]
    season : SeasonClock
        Days of average use per day.
    life_days : array (n,), optional
        Days of average use in the whole learned median life, NaN where the limit is taken as certain. [day]
    life_shape : array (n,), optional
        Weibull shape of the learned life, 0.2 or more; NaN where none was learned. [-]

    Returns
    -------
    DueWindow
        Chances 10, 50 and 90 %. The life ends at whichever comes first, so each date is the earlier of the
        use-driven one and the cap.

    Notes
    -----
    All use-driven limits of a part follow the same meter, so the nearest governs the others. Season bends
    the clock; the spread of a day then grows with its use, which is an approximation.
    A learned life ends at a share ℓ = (-ln(1 - chance) / ln 2)^(1/shape) of its median. Its distance from
    the median and that of uncertain use are taken as independent: their squares add. That a part is still
    in place says nothing of its life here, for "used up" is found at visits.
    """
    open_ = np.flatnonzero(days_of_use > 0)
    relative = np.nan_to_num(spread[open_], nan=0.0) / np.sqrt(days_of_use[open_])
    error = np.nan_to_num(drift_error[open_], nan=0.0)
    start = season.worked_days(from_d)
    middle, dates = _elapsed(LIKELY, days_of_use, open_, relative, error), []
    for chance in (EARLY, LIKELY, LATE):
        is_middle = chance == LIKELY
        elapsed = middle if is_middle else _elapsed(chance, days_of_use, open_, relative, error)
        if life_days is not None and life_shape is not None and not is_middle:
            elapsed = _widened(chance, elapsed, middle, life_days, life_shape)
        dates.append(np.fmin(season.day_of(start + elapsed), capped_at_d))
    return DueWindow(*dates)


def _elapsed(chance: float, days_of_use: Floats, open_: Ints, spread: Floats, error: Floats) -> Floats:
    times = np.ones(len(days_of_use))
    times[open_] = passage_time(chance, spread, error)
    return days_of_use * times


def _widened(chance: float, elapsed: Floats, middle: Floats, life_days: Floats, shape: Floats) -> Floats:
    """Add the spread of the learned life to that of use."""
    known = np.isfinite(life_days) & (shape >= _LEAST_SHAPE)
    share = (-np.log1p(-chance) / np.log(2)) ** (1 / np.where(known, shape, 1.0))
    apart = np.hypot(elapsed - middle, life_days * (share - 1))
    return np.where(known, middle + np.copysign(apart, chance - LIKELY), elapsed)
