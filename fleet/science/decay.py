"""Has a membrane's performance changed since it was new, what does the change look like, when is it due.

Every reading is normalised to the treatment unit's own baseline, folded into weekly points, and charted by
an EWMA of its residuals; a robust slope gives the date. No result depends on the other units of the shard.
"""

from dataclasses import dataclass

import numpy as np

from fleet.science.change import cusum, ewma, ewma_variance, median_of_rows, theil_sen
from fleet.science.columns import (
    Flags,
    Floats,
    Ints,
    Parts,
    PerformanceReadings,
    PerformanceSeries,
    UnitPerformance,
    Units,
)
from fleet.science.grouping import group_medians, newest_window, rank_in_group, take_window
from fleet.science.normalise import normalised_pressure_drop, salt_passage_flow_form
from fleet.science.patterns import Directions, name_pattern
from fleet.science.performance_rows import (
    Membranes,
    ReadingForm,
    ReadingValues,
    find_membranes,
    read_gauges,
)
from fleet.science.performance_settings import WINDOW_POINTS, PerformanceSettings

_CHUNK = 4096
"""Treatment units whose points are in memory at once."""
_MEDIAN_VARIANCE = 1.4
"""Variance of a median of 3 to 6 normal points, times their number."""
_MAD_TO_SIGMA = 1 / (0.6745 * np.sqrt(2))
"""Median absolute successive difference to standard deviation, normal points."""


@dataclass(frozen=True)
class _Grouped:
    """Which readings belong to the present membrane, and which point each folds into."""

    rows: Ints
    """Reading rows of the present membrane, settled and usable."""
    point: Ints
    """Point each of those rows folds into, 0 upward."""
    point_unit: Ints
    """Treatment unit of each point."""
    is_baseline: Flags
    """Per point."""


@dataclass(frozen=True)
class _Points:
    """Folded points, one row each, sorted by treatment unit and time."""

    at_d: Floats
    flow: Floats
    passage: Floats
    drop: Floats
    raw_flow: Floats
    factor: Floats
    flow_error: Floats


@dataclass(frozen=True)
class _Chart:
    """State of one chart at the newest point, per treatment unit."""

    estimate: Floats
    """Smoothed logarithm of value over baseline. [-]"""
    is_above: Flags
    is_below: Flags
    is_known: Flags
    score: Floats
    """(treatment units, points) standardised residuals, baseline points too. [-]"""


def assess_performance(
    units: Units,
    parts: Parts,
    performance: PerformanceReadings,
    now_d: float,
    settings: PerformanceSettings | None = None,
) -> tuple[UnitPerformance, PerformanceSeries]:
    """
    Judge each treatment unit's membrane against its own baseline.

    Parameters
    ----------
    units : Units
        Treatment units of the shard.
    parts : Parts
        Parts in place; the first membrane's temperature constants serve, the newest one's date starts the
        baseline anew.
    performance : PerformanceReadings
        Gauges and flows, any number per unit, any spacing; later than ``now_d`` is left out.
    now_d : float
        The moment of judgement. [day]
    settings : PerformanceSettings, optional
        Thresholds; the documented ones when not given.

    Returns
    -------
    tuple of UnitPerformance, PerformanceSeries
        One row per treatment unit (NaN and ``Pattern.NONE`` where nothing can be said); one row per reading
        that could be normalised.

    Notes
    -----
    Standard conditions are 25 °C and the baseline's own median driving pressure, flows and recovery.
    ``*_change`` compare the median of the newest three points with the baseline's median.
    """
    settings = settings or PerformanceSettings()
    membranes = find_membranes(units, parts, now_d, settings)
    values = read_gauges(units, membranes, performance)
    grouped = _group(membranes, values, performance, now_d, settings)
    count = len(units.unit_id)
    flow, passage, drop, form = _normalise(count, values, performance, grouped)
    points = _fold(grouped, performance, values, flow, passage, drop, form, settings)
    return (
        _judge(count, grouped, points, now_d, settings),
        _series(performance, values, flow, passage, drop, form, now_d),
    )


def _group(
    membranes: Membranes,
    values: ReadingValues,
    readings: PerformanceReadings,
    now_d: float,
    settings: PerformanceSettings,
) -> _Grouped:
    settled_d = membranes.since_d[readings.unit_row] + settings.settling_days
    is_used = (values.form != ReadingForm.UNUSABLE) & (readings.read_at_d >= settled_d)
    rows = np.flatnonzero(is_used & (readings.read_at_d <= now_d))
    unit, at_d = readings.unit_row[rows], readings.read_at_d[rows]
    since_first = at_d - at_d[np.searchsorted(unit, unit, side="left")]
    week = np.floor(since_first / settings.point_days + 0.5)
    is_new = np.ones(len(rows), dtype=bool)
    is_new[1:] = (unit[1:] != unit[:-1]) | (week[1:] != week[:-1])
    point_unit, since_first = unit[is_new], since_first[is_new]
    rank = rank_in_group(point_unit)
    is_early = (rank < settings.baseline_points) & (since_first <= settings.baseline_days)
    return _Grouped(
        rows=rows,
        point=np.cumsum(is_new) - 1,
        point_unit=point_unit,
        is_baseline=(rank < settings.baseline_least_points) | is_early,
    )


def _normalise(
    count: int, values: ReadingValues, readings: PerformanceReadings, grouped: _Grouped
) -> tuple[Floats, Floats, Floats, Ints]:
    """Bring every reading to its unit's standard conditions; units without a baseline use all readings."""
    unit = readings.unit_row
    in_baseline = np.zeros(len(unit), dtype=bool)
    in_baseline[grouped.rows] = grouped.is_baseline[grouped.point]
    has_baseline = np.zeros(count, dtype=bool)
    has_baseline[unit[in_baseline]] = True
    chosen = in_baseline | (~has_baseline[unit] & (values.form != ReadingForm.UNUSABLE))

    def standard(column: Floats) -> Floats:
        return group_medians(unit[chosen], count, column[chosen])[unit]

    pressure_ratio = standard(values.driving_psi) / values.driving_psi
    is_lacking = np.isnan(pressure_ratio)
    form = np.where(is_lacking, np.maximum(values.form, ReadingForm.TEMPERATURE_ONLY), values.form)
    flow = values.raw_flow_gpm / values.factor * np.where(is_lacking, 1.0, pressure_ratio)
    flow = np.where(form == ReadingForm.UNUSABLE, np.nan, flow)
    passage = salt_passage_flow_form(
        values.passage,
        values.raw_flow_gpm,
        values.factor,
        values.feed_brine_ratio,
        standard(flow),
        standard(values.feed_brine_ratio),
    )
    drop = normalised_pressure_drop(
        values.drop_psi,
        values.concentrate_gpm,
        values.raw_flow_gpm,
        standard(values.concentrate_gpm),
        standard(values.raw_flow_gpm),
    )
    return flow, passage, drop, form


def _fold(
    grouped: _Grouped,
    readings: PerformanceReadings,
    values: ReadingValues,
    flow: Floats,
    passage: Floats,
    drop: Floats,
    form: Ints,
    settings: PerformanceSettings,
) -> _Points:
    errors = np.array(
        [
            settings.flow_error_full,
            settings.flow_error_some_gauges,
            settings.flow_error_temperature_only,
            np.nan,
        ]
    )

    def folded(column: Floats) -> Floats:
        return group_medians(grouped.point, len(grouped.point_unit), column[grouped.rows])

    return _Points(
        at_d=folded(readings.read_at_d),
        flow=folded(flow),
        passage=folded(passage),
        drop=folded(drop),
        raw_flow=folded(values.raw_flow_gpm),
        factor=folded(values.factor),
        flow_error=folded(errors[form]),
    )


def _judge(
    count: int, grouped: _Grouped, points: _Points, now_d: float, settings: PerformanceSettings
) -> UnitPerformance:
    pieces = [
        _judge_chunk(start, min(_CHUNK, count - start), grouped, points, now_d, settings)
        for start in range(0, max(count, 1), _CHUNK)
    ]
    return UnitPerformance(
        **{
            name: np.concatenate([getattr(piece, name) for piece in pieces])
            for name in UnitPerformance.__dataclass_fields__
        }
    )


def _judge_chunk(
    start: int, count: int, grouped: _Grouped, points: _Points, now_d: float, settings: PerformanceSettings
) -> UnitPerformance:
    owner = grouped.point_unit
    window = newest_window(owner, start, count, WINDOW_POINTS)
    first, last = np.searchsorted(owner, [start, start + count])
    in_baseline = np.flatnonzero(grouped.is_baseline[first:last]) + first
    base_owner = owner[in_baseline] - start
    base_count = np.bincount(base_owner, minlength=count).astype(np.float64)
    is_after = (window >= 0) & ~np.append(grouped.is_baseline, False)[window]

    def baseline(column: Floats) -> Floats:
        return group_medians(base_owner, count, column[in_baseline])

    def charted(column: Floats, error: Floats, watch: float) -> _Chart:
        logs = _log(take_window(column, window) / baseline(column)[:, None])
        return _chart(logs, error, is_after, base_count, watch, settings)

    def now(column: Floats) -> Floats:
        return median_of_rows(take_window(column, window[:, -3:]))

    def fixed(error: float) -> Floats:
        return np.full(window.shape, error)

    flow_base, passage_base = baseline(points.flow), baseline(points.passage)
    flow_now, passage_now = now(points.flow), now(points.passage)
    drop_error = np.hypot(settings.drop_error, settings.drop_error_psi / baseline(points.drop))
    flow = charted(points.flow, take_window(points.flow_error, window), settings.flow_watch)
    passage = charted(points.passage, fixed(settings.passage_error), settings.passage_limit)
    drop = charted(points.drop, drop_error[:, None] + fixed(0.0), settings.drop_limit)
    drop_change = now(points.drop) / baseline(points.drop) - 1
    raw_change = now(points.raw_flow) / baseline(points.raw_flow) - 1
    is_alarm = flow.is_above | flow.is_below | passage.is_above
    is_alarm |= drop.is_above & (drop_change >= settings.drop_alone_limit)
    is_cold = _is_cold(raw_change, now(points.factor) / baseline(points.factor), settings) & ~is_alarm
    pattern = name_pattern(
        Directions(
            flow_fell=flow.is_below & is_alarm,
            flow_rose=flow.is_above & is_alarm,
            passage_rose=passage.is_above & is_alarm,
            passage_is_known=passage.is_known,
            drop_rose=drop.is_above & is_alarm,
            drop_is_known=drop.is_known,
            is_cold=is_cold,
        )
    )
    times = take_window(points.at_d, window) - now_d
    change = take_window(points.flow, window) / flow_base[:, None] - 1
    newest = slice(WINDOW_POINTS - settings.slope_points, None)
    change = _since_fall_began(change, flow, settings)
    slope, crosses = _forecast(times[:, newest], change[:, newest], settings)
    rows_used = np.bincount(owner[grouped.point[_slice_rows(grouped, first, last)]] - start, minlength=count)
    base_times = points.at_d[in_baseline]
    base_first = np.searchsorted(base_owner, np.arange(count))
    base_last = np.searchsorted(base_owner, np.arange(count), side="right") - 1
    has_base = base_count > 0
    padded = np.append(base_times, np.nan)
    return UnitPerformance(
        normalised_flow_gpm=flow_now,
        baseline_flow_gpm=flow_base,
        flow_change=flow_now / flow_base - 1,
        salt_passage=passage_now,
        baseline_salt_passage=passage_base,
        passage_change=passage_now / passage_base - 1,
        drop_change=drop_change,
        raw_flow_change=raw_change,
        flow_slope_per_day=slope,
        crosses_limit_d=crosses + now_d,
        is_alarm=is_alarm,
        pattern=pattern,
        readings_used=rows_used.astype(np.int64),
        baseline_from_d=np.where(has_base, padded[np.where(has_base, base_first, -1)], np.nan),
        baseline_to_d=np.where(has_base, padded[np.where(has_base, base_last, -1)], np.nan),
    )


def _slice_rows(grouped: _Grouped, first: int, last: int) -> slice:
    """Rows (of ``grouped.rows``) that fold into points first to last."""
    low, high = np.searchsorted(grouped.point, [first, last])
    return slice(int(low), int(high))


def _chart(
    logs: Floats,
    error: Floats,
    is_after: Flags,
    base_count: Floats,
    watch: float,
    settings: PerformanceSettings,
) -> _Chart:
    """EWMA of standardised residuals after the baseline, its band widened for the baseline's own error."""
    scaled = logs / error
    steps = np.abs(np.diff(scaled, axis=1))
    seen = np.sum(np.isfinite(steps), axis=1)
    own = np.nan_to_num(median_of_rows(steps) * _MAD_TO_SIGMA)
    weight = settings.error_weight_points
    scatter = np.sqrt((weight + seen * own**2) / (weight + seen))
    score = np.clip(scaled / scatter[:, None], -settings.clip_sigma, settings.clip_sigma)
    judged = np.where(is_after, score, np.nan)
    average = ewma(judged, settings.ewma_weight)[:, -1]
    after = np.sum(np.isfinite(judged), axis=1)
    baseline_variance = _MEDIAN_VARIANCE / np.maximum(base_count, 1)
    band = settings.ewma_limit * np.sqrt(ewma_variance(after, settings.ewma_weight) + baseline_variance)
    started = 1 - (1 - settings.ewma_weight) ** np.maximum(after, 1)
    estimate = average / started * scatter * np.nan_to_num(median_of_rows(error), nan=1.0)
    is_known = after > 0
    return _Chart(
        estimate=np.where(is_known, estimate, np.nan),
        is_above=is_known & (average > band) & (estimate > np.log1p(watch)),
        is_below=is_known & (average < -band) & (estimate < np.log1p(-watch)),
        is_known=is_known,
        score=score,
    )


def _is_cold(raw_change: Floats, factor_ratio: Floats, settings: PerformanceSettings) -> Flags:
    """Raw flow fell by more than people overlook, and temperature explains at least half of it."""
    return (raw_change <= -settings.cold_drop) & (_log(factor_ratio) <= 0.5 * _log(1 + raw_change))


def _since_fall_began(change: Floats, flow: _Chart, settings: PerformanceSettings) -> Floats:
    """Blank the level stretch before a fall that is charted, or the slope would be too flat.

    The fall began after the last point where the cumulative sum stood at zero (Page 1954).
    """
    _, falls = cusum(flow.score, target=0.0, slack=0.5)
    points = falls.shape[1]
    at_rest = np.where(falls == 0, np.arange(points), -1).max(axis=1)
    is_before = np.arange(points) < at_rest[:, None]
    left = np.sum(~is_before & np.isfinite(change), axis=1)
    is_cut = flow.is_below & (left >= settings.slope_least_points)
    return np.where(is_before & is_cut[:, None], np.nan, change)


def _forecast(times: Floats, change: Floats, settings: PerformanceSettings) -> tuple[Floats, Floats]:
    slope, intercept, score, used = theil_sen(times, change)
    enough = used >= settings.slope_least_points
    is_falling = enough & (slope < 0) & (score < -settings.slope_z)
    crossing = (-settings.flow_limit - intercept) / np.where(is_falling, slope, np.nan)
    crossing = np.where(crossing <= settings.horizon_days, crossing, np.nan)
    return np.where(enough, slope, np.nan), crossing


def _series(
    readings: PerformanceReadings,
    values: ReadingValues,
    flow: Floats,
    passage: Floats,
    drop: Floats,
    form: Ints,
    now_d: float,
) -> PerformanceSeries:
    shown = np.flatnonzero(np.isfinite(flow) & (readings.read_at_d <= now_d))
    return PerformanceSeries(
        unit_row=readings.unit_row[shown],
        read_at_d=readings.read_at_d[shown],
        normalised_flow_gpm=flow[shown],
        salt_passage=passage[shown],
        normalised_drop_psi=drop[shown],
        raw_flow_gpm=values.raw_flow_gpm[shown],
        is_simple_form=form[shown] != ReadingForm.FULL,
    )


def _log(values: Floats) -> Floats:
    return np.log(np.where(values > 0, values, np.nan))
