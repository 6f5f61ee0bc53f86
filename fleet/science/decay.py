"""Has a membrane's performance changed since it was new, what does the change look like, when is it due.

Every reading is normalised to the treatment unit's own baseline, folded into weekly points, and charted by
an EWMA of its residuals; a robust slope gives the date. No result depends on the other units of the shard.
"""

from dataclasses import dataclass, fields

import numpy as np

from fleet.science.change import group_medians, median_of_rows, newest_window, take_window, theil_sen
from fleet.science.columns import Flags, Floats, Ints, Parts, Pattern, PerformanceReadings, Units
from fleet.science.found import PerformanceSeries, UnitPerformance
from fleet.science.patterns import Directions, name_pattern
from fleet.science.performance import (
    Folding,
    Points,
    choose_points,
    find_membranes,
    fold,
    normalise_readings,
    read_gauges,
    to_series,
)
from fleet.science.performance_charts import (
    WINDOW_POINTS,
    Chart,
    PerformanceSettings,
    chart,
    forecast,
    lately,
    limit_reached,
    since_fall_began,
)

_CHUNK = 4096
"""Treatment units whose points are in memory at once."""
_NEWEST = 3
"""Points whose median stands for today."""


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

    Source
    ------
    ASTM D4516 practice; each step names its own source.
    """
    settings = settings or PerformanceSettings()
    membranes = find_membranes(units, parts, now_d, settings)
    values = read_gauges(units, membranes, performance)
    folding = choose_points(membranes, values, performance, now_d, settings)
    normalised = normalise_readings(len(units.unit_id), values, performance, folding)
    points = fold(folding, membranes, performance, values, normalised, settings)
    judged = _judge(len(units.unit_id), folding, points, now_d, settings)
    return judged, to_series(performance, values, normalised, now_d)


def _judge(
    count: int, folding: Folding, points: Points, now_d: float, settings: PerformanceSettings
) -> UnitPerformance:
    pieces = [
        _judge_chunk(_cut(start, min(_CHUNK, count - start), folding, points), now_d, settings)
        for start in range(0, max(count, 1), _CHUNK)
    ]
    names = [item.name for item in fields(UnitPerformance)]
    return UnitPerformance(
        **{name: np.concatenate([getattr(piece, name) for piece in pieces]) for name in names}
    )


@dataclass(frozen=True)
class _Chunk:
    """Some treatment units and the newest points of each."""

    points: Points
    window: Ints
    """(treatment units, points) rows of ``points``, -1 where there are fewer."""
    is_after: Flags
    """(treatment units, points) points after the baseline."""
    base_rows: Ints
    base_owner: Ints
    """Rows of the baseline points, and the unit of each inside the chunk."""
    base_count: Floats
    readings_used: Ints

    def seen(self, column: Floats) -> Floats:
        """Values in the window."""
        return take_window(column, self.window)

    def base(self, column: Floats) -> Floats:
        """Median over the baseline."""
        return group_medians(self.base_owner, len(self.base_count), column[self.base_rows])

    def now(self, column: Floats) -> Floats:
        """Median of the newest points."""
        return median_of_rows(take_window(column, self.window[:, -_NEWEST:]))

    def change(self, column: Floats) -> Floats:
        """Now against baseline."""
        return self.now(column) / self.base(column) - 1

    def logs(self, column: Floats) -> Floats:
        """Logarithm of value over baseline in the window."""
        return _log(self.seen(column) / self.base(column)[:, None])

    def charted(
        self,
        column: Floats,
        error: Floats,
        allowance: Floats,
        watch: float,
        settings: PerformanceSettings,
    ) -> Chart:
        """Chart of one column, ``error`` and ``allowance`` broadcast to the window."""
        logs = self.logs(column)
        error = np.broadcast_to(error, logs.shape)
        return chart(logs, error, allowance, self.is_after, self.base_count, watch, settings)


def _cut(start: int, count: int, folding: Folding, points: Points) -> _Chunk:
    owner = folding.owner
    window = newest_window(owner, start, count, WINDOW_POINTS)
    first, last = np.searchsorted(owner, [start, start + count])
    base_rows = np.flatnonzero(folding.is_baseline[first:last]) + first
    base_owner = owner[base_rows] - start
    low, high = np.searchsorted(folding.point, [first, last])
    reading_owner = owner[folding.point[low:high]] - start
    return _Chunk(
        points=points,
        window=window,
        is_after=(window >= 0) & ~np.append(folding.is_baseline, False)[window],
        base_rows=base_rows,
        base_owner=base_owner,
        base_count=np.bincount(base_owner, minlength=count).astype(np.float64),
        readings_used=np.bincount(reading_owner, minlength=count).astype(np.int64),
    )


def _judge_chunk(chunk: _Chunk, now_d: float, settings: PerformanceSettings) -> UnitPerformance:
    points = chunk.points
    flow, passage, drop = _charts(chunk, settings)
    drop_change = chunk.change(points.drop)
    raw_change = chunk.change(points.raw_flow)
    is_alarm = flow.is_above | flow.is_below | passage.is_above
    is_alarm |= drop.is_above & (drop_change >= settings.drop_alone_limit)
    flow_change = chunk.change(points.flow)
    is_cold = _is_cold(raw_change, 1 + chunk.change(points.factor), settings)
    is_cold &= ~is_alarm & (flow_change > -settings.flow_watch)
    slope, crosses = _slope(chunk, flow, now_d, settings)
    base_from, base_to = _baseline_dates(chunk)
    passage_change, newest_d = chunk.change(points.passage), chunk.seen(points.at_d)[:, -1]
    shares = np.stack(
        [
            -flow_change / settings.flow_limit,
            passage_change / settings.passage_limit,
            drop_change / settings.drop_limit,
        ]
    )
    limit_share = np.maximum(np.fmax.reduce(shares), 0.0)
    is_failing = is_alarm & ~is_cold
    ends = _ends(chunk, np.flatnonzero(is_failing), (flow, passage, drop), shares, now_d, settings)
    return UnitPerformance(
        normalised_flow_gpm=chunk.now(points.flow),
        baseline_flow_gpm=chunk.base(points.flow),
        flow_change=flow_change,
        salt_passage=chunk.now(points.passage),
        baseline_salt_passage=chunk.base(points.passage),
        passage_change=passage_change,
        drop_change=drop_change,
        raw_flow_change=raw_change,
        flow_slope_per_day=slope,
        crosses_limit_d=crosses + now_d,
        is_alarm=is_alarm,
        pattern=_once_clear(
            chunk,
            name_pattern(_directions(flow, passage, drop, is_alarm, is_cold)),
            passage,
            limit_share,
            settings,
        ),
        readings_used=chunk.readings_used,
        baseline_from_d=base_from,
        baseline_to_d=base_to,
        newest_d=newest_d,
        is_measured=_is_measured(chunk, newest_d, now_d, settings),
        limit_share=limit_share,
        end_early_d=ends[0],
        end_likely_d=ends[1],
        end_late_d=ends[2],
    )


def _once_clear(
    chunk: _Chunk, pattern: Ints, passage: Chart, limit_share: Floats, settings: PerformanceSettings
) -> Ints:
    """Leave a change unnamed until its pattern is clear.

    Scaling begins as fouling does, so either waits until the change is large. Scaling and oxidation begin as
    a seal leak does, by passage alone; a seal leaks all at once and then stays, which takes points to see.
    """
    is_early = np.isin(pattern, [Pattern.FOULING, Pattern.SCALING]) & (limit_share < settings.name_share)
    rows = np.flatnonzero(pattern == Pattern.SEAL_LEAK)
    if len(rows):
        change = 1 - chunk.seen(chunk.points.passage)[rows] / chunk.base(chunk.points.passage)[rows, None]
        since = since_fall_began(change, passage.rows(rows).turned(), settings)
        since = since[:, WINDOW_POINTS - settings.slope_points :]
        at_d = chunk.seen(chunk.points.at_d)[rows][:, WINDOW_POINTS - settings.slope_points :]
        _, _, score, used = theil_sen(at_d, since)
        is_cut = np.isfinite(since).sum(axis=1) < np.isfinite(change).sum(axis=1)
        stays = is_cut & (used >= settings.name_least_points) & (np.abs(score) < settings.slope_z)
        is_early[rows] = ~stays
    return np.where(is_early, np.int64(Pattern.UNNAMED), pattern)


def _is_measured(chunk: _Chunk, newest_d: Floats, now_d: float, settings: PerformanceSettings) -> Flags:
    """Say whose readings are fresh, enough, and of a form in which flow and passage can be trusted."""
    points = chunk.points
    known = np.isfinite(chunk.now(points.passage) / chunk.base(points.passage))
    known &= chunk.now(points.flow_error) <= settings.flow_error_some_gauges
    return known & chunk.is_after.any(axis=1) & (now_d - newest_d <= settings.fresh_days)


def _ends(
    chunk: _Chunk,
    rows: Ints,
    charts: tuple[Chart, Chart, Chart],
    shares: Floats,
    now_d: float,
    settings: PerformanceSettings,
) -> Floats:
    """Return (3, treatment units): days on which the first of the limits is reached with 10, 50, 90 %.

    Only for ``rows``: a pairwise slope of every membrane for every limit would cost more than all the rest.
    """
    points, newest = chunk.points, slice(WINDOW_POINTS - settings.slope_points, None)
    ends = np.full((3, len(chunk.base_count)), np.nan)
    if len(rows) == 0:
        return ends
    at_d = chunk.seen(points.at_d)[rows][:, newest]
    sides = ((points.flow, 1.0, settings.flow_limit), (points.passage, -1.0, settings.passage_limit),
             (points.drop, -1.0, settings.drop_limit))  # fmt: skip
    dates = np.full((3, 3, len(rows)), np.nan)
    for number, (column, sign, limit) in enumerate(sides):
        chart = charts[number].rows(rows) if sign > 0 else charts[number].rows(rows).turned()
        is_worse = chart.is_below
        change = sign * (chunk.seen(column)[rows] / chunk.base(column)[rows, None] - 1)
        change = since_fall_began(np.where(is_worse[:, None], change, np.nan), chart, settings)
        change = lately(at_d, change[:, newest], settings)
        dates[number] = limit_reached(at_d - now_d, change, limit, settings)
        # A step has no trend; past its limit it ended by the newest reading.
        stepped = is_worse & np.isnan(dates[number, 1]) & (shares[number, rows] >= 1)
        dates[number][:, stepped] = at_d[stepped, -1] - now_d
    first = np.where(np.isnan(dates[:, 1]), np.inf, dates[:, 1]).argmin(axis=0)
    ends[:, rows] = dates[first, :, np.arange(len(rows))].T + now_d
    return ends


def _charts(chunk: _Chunk, settings: PerformanceSettings) -> tuple[Chart, Chart, Chart]:
    """Charts of flow, salt passage and pressure drop.

    A wrong temperature constant moves flow and passage with the season: that much is allowed for.
    """
    points = chunk.points
    warmth = np.abs(chunk.logs(points.factor))
    flow_error, k_error = chunk.seen(points.flow_error), chunk.seen(points.k_error)
    flow = chunk.charted(points.flow, flow_error, warmth * k_error, settings.flow_watch, settings)
    passage_error, by_season = np.array(settings.passage_error), warmth * settings.salt_k_error
    passage = chunk.charted(points.passage, passage_error, by_season, settings.passage_limit, settings)
    drop_error = np.hypot(settings.drop_error, settings.drop_error_psi / chunk.base(points.drop))
    drop = chunk.charted(points.drop, drop_error[:, None], np.zeros(1), settings.drop_limit, settings)
    return flow, passage, drop


def _directions(flow: Chart, passage: Chart, drop: Chart, is_alarm: Flags, is_cold: Flags) -> Directions:
    return Directions(
        flow_fell=flow.is_below,
        flow_rose=flow.is_above,
        flow_is_level=flow.is_level,
        passage_rose=passage.is_above,
        passage_is_known=passage.is_known,
        drop_rose=drop.is_above & is_alarm,
        drop_is_level=drop.is_level,
        is_cold=is_cold,
    )


def _is_cold(raw_change: Floats, factor_ratio: Floats, settings: PerformanceSettings) -> Flags:
    """Raw flow fell by more than people overlook, and temperature explains at least half of it."""
    return (raw_change <= -settings.cold_drop) & (_log(factor_ratio) <= 0.5 * _log(1 + raw_change))


def _slope(chunk: _Chunk, flow: Chart, now_d: float, settings: PerformanceSettings) -> tuple[Floats, Floats]:
    change = chunk.seen(chunk.points.flow) / chunk.base(chunk.points.flow)[:, None] - 1
    change = since_fall_began(change, flow, settings)
    newest = slice(WINDOW_POINTS - settings.slope_points, None)
    at_d = chunk.seen(chunk.points.at_d)[:, newest]
    return forecast(at_d - now_d, lately(at_d, change[:, newest], settings), settings)


def _baseline_dates(chunk: _Chunk) -> tuple[Floats, Floats]:
    """Times of the first and last baseline point."""
    at_d = chunk.points.at_d[chunk.base_rows]
    units = np.arange(len(chunk.base_count))
    first = np.searchsorted(chunk.base_owner, units)
    last = np.searchsorted(chunk.base_owner, units, side="right") - 1
    is_some = chunk.base_count > 0
    return take_window(at_d, np.where(is_some, first, -1)), take_window(at_d, np.where(is_some, last, -1))


def _log(values: Floats) -> Floats:
    return np.log(np.where(values > 0, values, np.nan))
