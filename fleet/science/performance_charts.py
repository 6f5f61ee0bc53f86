"""What counts as lost performance, in one place, each number with its source.

Charts of residuals against the baseline, and the forecast of a fall.
"""

from dataclasses import dataclass, fields

import numpy as np
from scipy.special import stdtrit

from fleet.science.change import cusum, ewma, ewma_variance, median_of_rows, theil_sen
from fleet.science.columns import Flags, Floats, Ints


@dataclass(frozen=True)
class PerformanceSettings:
    """Thresholds and shape of the performance check. Raises ValueError for a number out of range."""

    flow_limit: float = 0.10
    """Loss of normalised flow at which cleaning or replacement is due: 10 % (D4516 engineering pages, a
    laboratory RO manual p. 4-11, US Army TM 10-4610-309-14 WP0016; others 10 to 15 %). [-]"""
    flow_watch: float = 0.05
    """Smallest change of flow worth an alarm, half the limit so that a visit can be planned. Ours. [-]"""
    passage_limit: float = 0.10
    """Relative rise of salt passage worth an alarm: 10 % (a trade bulletin says +5 to 10 %, a commercial
    unit's manual, p. 11, +10 to 15 %). [-]"""
    drop_limit: float = 0.15
    """Rise of normalised pressure drop that names a pattern: 10 to 15 % (same two sources). [-]"""
    drop_alone_limit: float = 0.50
    """Rise of pressure drop that is an alarm though flow and passage hold: an antiscalant maker warns
    against judging by pressure drop alone; +50 % is a value from memory of makers' bulletins. [-]"""
    cold_drop: float = 0.10
    """Loss of raw flow people notice, explained as cold water when the normalised flow holds. Ours. [-]"""

    settling_days: float = 1.0
    """After a new membrane the flow settles for 24 to 48 hours (dealer and makers' guidance). [day]"""
    point_days: float = 7.0
    """Readings this near each other fold into one point, their median. Ours. [day]"""
    baseline_days: float = 60.0
    """Baseline points come from this long after settling. Ours. [day]"""
    baseline_points: int = 6
    """At most so many points make the baseline. Ours."""
    baseline_least_points: int = 3
    """At least so many, however long they take. Ours."""

    flow_error_full: float = 0.03
    """Expected scatter (1 sigma) of a normalised flow with every gauge read: 2 % flow meter, 1 % gauges,
    0.5 °C. Replaced by the treatment unit's own scatter as points come in. Ours. [-]"""
    flow_error_some_gauges: float = 0.05
    """The same with a gauge or the concentrate flow unread. Ours. [-]"""
    flow_error_temperature_only: float = 0.10
    """The same corrected for temperature alone, line pressure and salinity moving as at a real site; all
    three are checked by simulation in test_normalise. Ours. [-]"""
    passage_error: float = 0.06
    """Expected scatter of normalised salt passage. Ours. [-]"""
    drop_error: float = 0.05
    """Expected scatter of normalised pressure drop beside that of the gauges. Ours. [-]"""
    drop_error_psi: float = 1.0
    """Expected scatter of the difference of two gauges, 0.7 psi each: all of it falls on a small drop. Ours.
    [psi]"""
    error_weight_points: float = 12.0
    """How many points of own scatter weigh as much as the expected scatter. Ours."""

    ewma_weight: float = 0.25
    """Weight of the newest point (Lucas & Saccucci advise 0.05 to 0.25, value from memory). [-]"""
    ewma_limit: float = 3.0
    """Half-width of the band in standard deviations of the average; test_decay simulates the run
    length. [-]"""
    clip_sigma: float = 6.0
    """A point counts at most so far off, so a single misreading raises no alarm. Ours. [-]"""

    slope_points: int = 26
    """Points in the robust slope at most. Ours."""
    slope_days: float = 182.0
    """Nor older than this, unless fewer than ``slope_least_points`` were left. Ours. [day]"""
    slope_least_points: int = 5
    """Fewer give no slope. Ours."""
    name_share: float = 1.5
    """Fouling and scaling are told apart once a change is this many times its limit. Ours, simulated. [-]"""
    name_least_points: int = 8
    """Points since it began for a seal leak to be told from a change that still grows. Ours, simulated."""
    fresh_days: float = 120.0
    """Readings older than this no longer say how the membrane is: a quarterly visit and a month's grace.
    Ours. [day]"""
    slope_z: float = 1.645
    """One-sided 5 % Mann-Kendall test before a fall is forecast. [-]"""
    rate_error: float = 0.27
    """How far a failing membrane's rate to come may lie from the one seen, one standard deviation, as a
    share. Ours, from replays in test_membrane_windows. [-]"""
    speeds_up: float = 0.4
    """Share of the days left by which the early date comes sooner for falls that grow steeper. Ours, as
    above. [-]"""
    horizon_days: float = 1095.0
    """No forecast further ahead. Ours. [day]"""
    k_error: float = 0.04
    """How wrong a membrane's stated temperature constant may be, as a share; a change it could explain
    does not count. Ours. [-]"""
    fallback_k_error: float = 0.15
    """The same for the fallback constant: published families run from about 2400 to 3020. [-]"""
    salt_k_error: float = 0.15
    """How far salt transport may follow another constant than water (ASTM D4516 takes the water's where the
    maker gives none). Ours. [-]"""
    fallback_k: float = 2700.0
    """Temperature constant when the membrane's own is unknown, fits the household table; the reading is then
    marked as the simple form. [K]"""

    def __post_init__(self) -> None:
        for item in fields(self):
            if not getattr(self, item.name) > 0:
                raise ValueError(f"{item.name} must be above 0; it is {getattr(self, item.name)}.")
        if self.ewma_weight > 1:
            raise ValueError(f"ewma_weight must be at most 1; it is {self.ewma_weight}.")
        if self.baseline_least_points > self.baseline_points:
            raise ValueError("baseline_least_points must not exceed baseline_points.")
        if self.slope_points > WINDOW_POINTS or self.slope_least_points < 3:
            raise ValueError(f"slope_points may be at most {WINDOW_POINTS}, slope_least_points at least 3.")


WINDOW_POINTS = 52
"""Newest points looked at for change, a year of weekly ones; older ones weigh less than 0.00001."""

_MEDIAN_VARIANCE = 1.4
"""Variance of a median of 3 to 6 normal points, times their number."""
_STEP_TO_SIGMA = 1 / (0.6745 * np.sqrt(2))
"""Median absolute step between neighbours to standard deviation, normal points."""
_DEVIATION_TO_SIGMA = 1 / 0.6745
"""Median absolute deviation to standard deviation, normal points."""
_CUSUM_SLACK = 0.5
"""Half of the shift sought, in standard deviations: Montgomery & Runge advise 1/2."""


@dataclass(frozen=True)
class Chart:
    """State of one chart at the newest point, per treatment unit."""

    is_above: Flags
    is_below: Flags
    is_known: Flags
    """At least one point after the baseline."""
    is_level: Flags
    """Known, and not above half of what matters."""
    score: Floats
    """(treatment units, points) standardised residuals, baseline points too. [-]"""

    def rows(self, which: Ints) -> "Chart":
        """
        Return some treatment units.

        Parameters
        ----------
        which : (some,) int array
            Rows of the treatment units.
        """
        return Chart(**{name: column[which] for name, column in vars(self).items()})

    def turned(self) -> "Chart":
        """Return the mirror image, in which a rise is a fall."""
        return Chart(self.is_below, self.is_above, self.is_known, self.is_level, -self.score)


def chart(
    logs: Floats,
    error: Floats,
    allowance: Floats,
    is_after: Flags,
    base_count: Floats,
    watch: float,
    settings: PerformanceSettings,
) -> Chart:
    """
    Chart residuals by an EWMA whose band is widened for the baseline's own error.

    Parameters
    ----------
    logs : array (treatment units, points)
        Logarithm of value over baseline, oldest first, NaN where there is no point. [-]
    error : array (treatment units, points)
        Expected scatter of each point. [-]
    allowance : array (treatment units, points)
        Change that something known could explain; only what is beyond it counts. [-]
    is_after : array (treatment units, points)
        Points after the baseline; only they are judged.
    base_count : array (treatment units,)
        Points in the baseline.
    watch : float
        Smallest relative change that matters. [-]
    settings : PerformanceSettings
        Weight, limit, clip.

    Returns
    -------
    Chart
        Beyond the band and beyond ``watch``, upward or downward.

    Notes
    -----
    The unit's own scatter, from steps between neighbours so that a slow fall does not widen it, replaces the
    expected one as points come in. Run length and delay are simulated in test_decay_run_length.

    Source
    ------
    NIST e-Handbook of Statistical Methods 6.3.2.4; standardising, clip and widened band are ours.
    """
    scaled = logs / error
    steps = np.abs(np.diff(scaled, axis=1))
    seen = np.sum(np.isfinite(steps), axis=1)
    own = np.nan_to_num(median_of_rows(steps) * _STEP_TO_SIGMA)
    weight = settings.error_weight_points
    scatter = np.sqrt((weight + seen * own**2) / (weight + seen))
    beyond = np.sign(scaled) * np.maximum(np.abs(scaled) - allowance / error, 0)
    score = np.clip(beyond / scatter[:, None], -settings.clip_sigma, settings.clip_sigma)
    judged = np.where(is_after, score, np.nan)
    average = ewma(judged, settings.ewma_weight)[:, -1]
    after = np.sum(np.isfinite(judged), axis=1)
    baseline_variance = _MEDIAN_VARIANCE / np.maximum(base_count, 1)
    band = settings.ewma_limit * np.sqrt(ewma_variance(after, settings.ewma_weight) + baseline_variance)
    started = 1 - (1 - settings.ewma_weight) ** np.maximum(after, 1)
    estimate = average / started * scatter * np.nan_to_num(median_of_rows(error), nan=1.0)
    is_known = after > 0
    return Chart(
        is_above=is_known & (average > band) & (estimate > np.log1p(watch)),
        is_below=is_known & (average < -band) & (estimate < np.log1p(-watch)),
        is_known=is_known,
        is_level=is_known & (estimate <= np.log1p(watch / 2)),
        score=score,
    )


def since_fall_began(change: Floats, flow: Chart, settings: PerformanceSettings) -> Floats:
    """
    Blank the level stretch before a charted fall, or the slope would be too flat.

    Parameters
    ----------
    change : array (treatment units, points)
        Relative change of flow. [-]
    flow : Chart
        The chart of the same points.
    settings : PerformanceSettings
        Fewest points a slope needs.

    Returns
    -------
    array (treatment units, points)
        NaN before the fall, unchanged where nothing is charted or too few points would be left.

    Notes
    -----
    The fall began after the last point where the cumulative sum stood at zero. In simulation this brings the
    forecast of a fall after 30 level weeks from 101 to 18 days late (median, at 9 % loss).
    """
    _, falls = cusum(flow.score, target=0.0, slack=_CUSUM_SLACK)
    places = np.arange(falls.shape[1])
    at_rest = np.where(falls == 0, places, -1).max(axis=1)
    is_before = places < at_rest[:, None]
    left = np.sum(~is_before & np.isfinite(change), axis=1)
    is_cut = flow.is_below & (left >= settings.slope_least_points)
    return np.where(is_before & is_cut[:, None], np.nan, change)


def lately(times_d: Floats, change: Floats, settings: PerformanceSettings) -> Floats:
    """
    Blank what is too old for the slope of today.

    Parameters
    ----------
    times_d : array (treatment units, points)
        Time of each point, oldest first. [day]
    change : array (treatment units, points)
        Relative change, NaN where there is no point. [-]
    settings : PerformanceSettings
        Days, and fewest points.

    Returns
    -------
    array (treatment units, points)
        Only points of the newest ``slope_days``, or the newest ``slope_least_points`` where those are more.

    Notes
    -----
    Counted in points, half a year of weekly readings would be two years of monthly ones, and a fall that
    began four months ago would look flat.
    """
    known = np.isfinite(change)
    newest = np.where(known, times_d, -np.inf).max(axis=1, initial=-np.inf)
    is_young = times_d >= (newest - settings.slope_days)[:, None]
    from_end = np.cumsum(known[:, ::-1], axis=1)[:, ::-1]
    return np.where(is_young | (from_end <= settings.slope_least_points), change, np.nan)


def limit_reached(
    times_d: Floats, change: Floats, limit: float, settings: PerformanceSettings
) -> tuple[Floats, Floats, Floats]:
    """
    Return when a falling line reaches minus the limit, with its uncertainty.

    Parameters
    ----------
    times_d : array (membranes, points)
        Time of each point before now, so 0 or less. [day]
    change : array (membranes, points)
        Relative change, turned so that worse is lower; NaN where there is no point. [-]
    limit : float
        Above 0. [-]
    settings : PerformanceSettings
        Fewest points, significance, horizon.

    Returns
    -------
    tuple of arrays (membranes,)
        Days from now with a chance of 10, 50 and 90 %, below 0 where it is past; NaN without a fall
        (one-sided Mann-Kendall test) or beyond the horizon. [day]

    Notes
    -----
    Level and slope of the robust line err independently; their errors come from the scatter of the points
    about it as for least squares, which the robust line loses a few percent to (Sen 1968), by Student's
    distribution. Each date is where the band about the line, not the line moved aside, meets the limit
    (Fieller 1954, value from memory), so that the late one lies further off. Nor do membranes follow a line:
    the rate to come differs from the one seen by ``rate_error``, and falls often grow steeper, ``speeds_up``;
    what happened since the newest reading is not known, so the early date has the time between two of them.
    """
    slope, intercept, score, used = theil_sen(times_d, change)
    is_falling = (used >= settings.slope_least_points) & (slope < 0) & (score < -settings.slope_z)
    slope = np.where(is_falling, slope, np.nan)
    when = np.where(np.isfinite(change), times_d, np.nan)
    middle = median_of_rows(when)
    apart = np.abs(change - (intercept[:, None] + slope[:, None] * times_d))
    free = np.maximum(used - 2, 1)
    scatter = median_of_rows(apart) * _DEVIATION_TO_SIGMA * np.sqrt(used / free)
    squares = np.nansum((when - middle[:, None]) ** 2, axis=1)
    level, tilt = scatter / np.sqrt(np.maximum(used, 1)), scatter / np.sqrt(np.maximum(squares, 1.0))
    wide = stdtrit(free, 0.9)
    near, likely, far = (
        middle + days
        for days in _band_meets(
            limit + intercept + slope * middle,
            -slope,
            wide * level,
            wide * np.hypot(tilt, settings.rate_error * slope),
        )
    )
    likely = np.where(likely <= settings.horizon_days, likely, np.nan)
    spacing = (np.nanmax(when, axis=1, initial=-np.inf) - np.nanmin(when, axis=1, initial=np.inf)) / free
    sooner = np.hypot(settings.speeds_up * np.maximum(likely, 0.0), spacing)
    early = likely - np.hypot(likely - near, sooner)
    return early, likely, np.where(np.isfinite(likely), np.fmin(far, settings.horizon_days), np.nan)


def _band_meets(room: Floats, rate: Floats, level: Floats, tilt: Floats) -> tuple[Floats, Floats, Floats]:
    """Days from the middle of the points to where the band's near edge, the line and its far edge end.

    The band is √(level² + (tilt·x)²) wide on either side; its far edge may never use up the room: inf.
    """
    likely = room / rate
    square, middle = rate**2 - tilt**2, room * rate
    root = np.sqrt(np.maximum(middle**2 - square * (room**2 - level**2), 0.0))
    # The form with the sum below the line holds for either sign of the square.
    near = (room**2 - level**2) / (middle + np.copysign(root, middle))
    far = np.where(square > 0, (middle + root) / np.where(square > 0, square, 1.0), np.inf)
    return np.fmin(near, likely), likely, np.fmax(far, likely)


def forecast(times_d: Floats, change: Floats, settings: PerformanceSettings) -> tuple[Floats, Floats]:
    """
    Return the robust slope and when the line crosses the flow limit.

    Parameters
    ----------
    times_d : array (treatment units, points)
        Time of each point before now, so 0 or less. [day]
    change : array (treatment units, points)
        Relative change of flow. [-]
    settings : PerformanceSettings
        Limit, fewest points, significance, horizon.

    Returns
    -------
    tuple of arrays (treatment units,)
        Slope [1/day], NaN with too few points; crossing in days from now, 0 if past, NaN when not
        falling (one-sided Mann-Kendall test) or beyond the horizon. [day]
    """
    slope, intercept, score, used = theil_sen(times_d, change)
    enough = used >= settings.slope_least_points
    is_falling = enough & (slope < 0) & (score < -settings.slope_z)
    crossing = (-settings.flow_limit - intercept) / np.where(is_falling, slope, np.nan)
    crossing = np.where(crossing <= settings.horizon_days, crossing, np.nan)
    return np.where(enough, slope, np.nan), np.maximum(crossing, 0)
