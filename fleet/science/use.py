"""Daily use of each treatment unit from irregular cumulative meters, and how sure it is."""

from dataclasses import dataclass

import numpy as np

from fleet.science.columns import (
    Flags,
    Floats,
    Ints,
    MeterReadings,
    PerformanceReadings,
    Units,
    UseFault,
    Water,
)
from fleet.science.curves import UseCurves
from fleet.science.found import MeterFaults, UnitUse
from fleet.science.meter_faults import is_sure, judge
from fleet.science.registers import WATERS, Counted, Registers, line_up
from fleet.science.season import SeasonClock
from fleet.science.series import group_bounds, newest_time, positive_median, time_key, to_fixed
from fleet.science.settings import UseSettings

_MINUTES_PER_DAY = 1440.0
_LEAST_RECOVERY, _MOST_RECOVERY = 0.02, 0.98
_FALLBACK_RECOVERY = 0.25
"""A household unit's typical one, only where neither set-point nor flows are known. Common practice."""
_LAG = 0.6
"""Share of the wander over the mean age of the readings by which their mean lags. See ``compute_use``."""
_LEAST_INTERVALS, _LEAST_DAYS, _LEAST_GAL_PER_DAY = 8, 60.0, 0.01
"""Fewer show no wander. Ours."""
_FEED, _PERMEATE, _CONCENTRATE = int(Water.FEED), int(Water.PERMEATE), int(Water.CONCENTRATE)


@dataclass(frozen=True)
class _Rates:
    """Use of each series, (units, 4), second axis ``Water``."""

    mean: Floats
    """As measured, NaN without a good interval. [gal/day]"""
    posterior: Floats
    """Shrunk to the design duty. [gal/day]"""
    drift_sd: Floats
    spread: Floats
    intervals: Floats
    wander_seen: Floats
    """Square of the wander of use over its mean, as the series shows it. [1/day]"""


def compute_use(
    units: Units,
    readings: MeterReadings,
    performance: PerformanceReadings,
    now_d: float,
    rules: UseSettings | None = None,
    season: SeasonClock | None = None,
) -> tuple[UnitUse, MeterFaults, UseCurves]:
    """
    Judge the meters and estimate use.

    Parameters
    ----------
    units : Units
        Treatment units; ``design_use_gal_per_day`` is the mean to shrink to.
    readings : MeterReadings
        Sorted registers; rows without a number or later than ``now_d`` are left out.
    performance : PerformanceReadings
        Flows, for measured recovery.
    now_d : float
        The moment of judgement. [day]
    rules : UseSettings, optional
        The documented ones when not given.
    season : SeasonClock, optional
        Flat when not given.

    Returns
    -------
    tuple of UnitUse, MeterFaults, UseCurves
        One row per unit; one row per faulty interval; cumulated gallons for any moment.

    Notes
    -----
    Cumulated use is a drifting random walk: gallons over ds days of average use have mean μ·ds and variance
    σ²·ds. With weights w = 2^(-age/half-life): μ = Σ w·gal / Σ w·ds; σ² = Σ w (gal - μ·ds)²/ds / Σ w,
    corrected for its degrees of freedom and averaged with the expected spread; variance of
    μ = σ² Σ w²·ds / (Σ w·ds)², then the precision-weighted mean with the design duty (normal prior,
    ``design_cv``). The mean itself wanders: with q = ``use_wander`` the half-life is at most ln 2·σ/(q·μ),
    where a steady Kalman filter would have it, and 0.6·q²·μ²·(mean age of what was read) is added to the
    variance of μ, between the q²τ/2 of such a filter and the q²T/3 of a plain mean. Dates widen with q, too.
    Recovery is measured from two meters, else from flows, else the set-point stands; ``recovery_is_measured``
    says which.
    """
    rules, season = rules or UseSettings(), season or SeasonClock()
    count = len(units.unit_id)
    registers = _registers(readings, now_d)
    design_recovery = _bounded_recovery(units.design_recovery)
    flow_recovery = _flow_recovery(count, performance, now_d)
    first_recovery = np.where(np.isfinite(flow_recovery), flow_recovery, design_recovery)
    design = _by_water(units.design_use_gal_per_day, first_recovery)
    cap = _by_water(units.design_permeate_gpm * _MINUTES_PER_DAY, first_recovery)
    cap = np.where(cap > 0, cap, np.inf)
    counted = judge(registers, count * WATERS, design.ravel(), cap.ravel(), rules)
    rates = _rates(registers, counted, design, now_d, rules, season)
    recovery, is_measured = _recovery(rates.mean, flow_recovery, design_recovery)
    source, factor = _sources(rates.intervals > 0, recovery)
    use = _unit_use(registers, counted, rates, source, factor, units, recovery, is_measured, rules)
    curves = _curves(registers, counted, source, factor, use, count, season)
    return use, _faults(registers, counted), curves


def _registers(readings: MeterReadings, now_d: float) -> Registers:
    known = np.isfinite(readings.total_gal) & (readings.read_at_d <= now_d)
    if known.all():
        rows: slice | Flags = slice(None)
    else:
        rows = known
    series = readings.unit_row[rows].astype(np.int64) * WATERS + readings.water[rows]
    return line_up(
        series,
        readings.meter_id[rows],
        readings.read_at_d[rows],
        readings.total_gal[rows],
        readings.rollover_gal[rows],
    )


def _bounded_recovery(recovery: Floats) -> Floats:
    good = (recovery >= _LEAST_RECOVERY) & (recovery <= _MOST_RECOVERY)
    return np.where(good, recovery, _FALLBACK_RECOVERY)


def _flow_recovery(count: int, performance: PerformanceReadings, now_d: float) -> Floats:
    """Median recovery of gauge readings with both flows, NaN where there is none."""
    flow = performance.permeate_flow_gpm + performance.concentrate_flow_gpm
    known = (flow > 0) & (performance.read_at_d <= now_d)
    share = np.where(known, performance.permeate_flow_gpm / np.where(known, flow, 1.0), np.nan)
    share = np.where((share >= _LEAST_RECOVERY) & (share <= _MOST_RECOVERY), share, np.nan)
    return positive_median(performance.unit_row, count, share)[0]


def _by_water(permeate: Floats, recovery: Floats) -> Floats:
    """Spread a permeate quantity over the four columns of ``Water``."""
    table = np.full((len(permeate), WATERS), np.nan)
    table[:, _FEED] = permeate / recovery
    table[:, _PERMEATE] = permeate
    table[:, _CONCENTRATE] = permeate * (1 - recovery) / recovery
    return table


def _rates(
    registers: Registers,
    counted: Counted,
    design: Floats,
    now_d: float,
    rules: UseSettings,
    season: SeasonClock,
) -> _Rates:
    series_count = design.size
    rows = np.flatnonzero(registers.follows & (registers.days > 0) & is_sure(counted.fault))
    series, gal = registers.series[rows], counted.gal[rows]
    end = registers.at_d[rows]
    days = registers.days[rows]
    if not season.is_flat:
        days = season.worked_days(end) - season.worked_days(registers.at_d[rows - 1])
    half_life_d = min(rules.half_life_days, np.log(2) * rules.design_spread / rules.use_wander)
    weight = np.exp2((end - now_d) / half_life_d)

    def total(values: Floats) -> Floats:
        return np.bincount(series, values, series_count).astype(np.float64)

    weighted_days, weights = total(weight * days), total(weight)
    some = weighted_days > 0
    safe_days = np.where(some, weighted_days, 1.0)
    mean = np.where(some, total(weight * gal) / safe_days, np.nan)
    residual = gal - mean[series] * days
    squares = total(weight * residual * residual / days)
    independent = np.where(some, weights**2 / np.where(some, total(weight * weight), 1.0), 0.0)
    freedom = np.maximum(independent - 1.0, 0.0)
    newest = newest_time(series, series_count, end)
    age = np.where(some, total(weight * days * (newest[series] - end + registers.days[rows] / 2)), 0.0)
    flat = design.ravel()
    centre = np.where(flat > 0, flat, mean)
    expected = (rules.design_spread * centre) ** 2
    measured = np.where(some, squares / np.where(some, weights, 1.0), 0.0)
    measured *= np.where(freedom > 0, independent / np.where(freedom > 0, freedom, 1.0), 0.0)
    variance = (rules.spread_weight * expected + freedom * measured) / (rules.spread_weight + freedom)
    own = np.where(some, variance * total(weight * weight * days) / safe_days**2, np.inf)
    own += _LAG * (rules.use_wander * np.nan_to_num(mean)) ** 2 * age / safe_days
    prior = np.where(flat > 0, (rules.design_cv * centre) ** 2, np.inf)
    posterior, drift_sd = _shrink(mean, own, flat, prior)
    shape = design.shape
    return _Rates(
        mean.reshape(shape),
        posterior.reshape(shape),
        drift_sd.reshape(shape),
        np.sqrt(variance).reshape(shape),
        np.bincount(series, minlength=series_count).astype(np.float64).reshape(shape),
        _wander_seen(series, days, gal, variance).reshape(shape),
    )


def _wander_seen(series: Ints, days: Floats, gal: Floats, variance: Floats) -> Floats:
    """Return the square of each series' wander over its mean; NaN for want of intervals or days. [1/day]

    Neighbouring intervals of a level use have no covariance but -σ²/T, for the mean is their own; those of a
    rate on a random walk have q²T/6 beside it.
    """
    count = len(variance)
    length, intervals = np.bincount(series, days, count), np.bincount(series, minlength=count)
    safe = np.where(length > 0, length, 1.0)
    mean = np.bincount(series, gal, count) / safe
    residual = gal / days - mean[series]
    pair = np.flatnonzero(series[1:] == series[:-1])
    product = np.bincount(series[pair], residual[pair] * residual[pair + 1], count)
    covariance = product / np.maximum(intervals - 1, 1) + variance / safe
    is_told = (intervals >= _LEAST_INTERVALS) & (length >= _LEAST_DAYS) & (mean > _LEAST_GAL_PER_DAY)
    return np.where(is_told, 6 * covariance / safe / np.where(is_told, mean, 1.0) ** 2, np.nan)


def _shrink(mean: Floats, own: Floats, design: Floats, prior: Floats) -> tuple[Floats, Floats]:
    """Precision-weighted mean of measurement and design; either may be missing."""
    measured, planned = np.isfinite(own) & np.isfinite(mean), np.isfinite(prior)
    own_weight = np.where(measured, 1 / np.where(measured & (own > 0), own, 1e-12), 0.0)
    prior_weight = np.where(planned, 1 / np.where(planned, prior, 1.0), 0.0)
    weight = own_weight + prior_weight
    known = weight > 0
    summed = np.where(measured, mean, 0.0) * own_weight + np.where(planned, design, 0.0) * prior_weight
    safe = np.where(known, weight, 1.0)
    return np.where(known, summed / safe, np.nan), np.where(known, 1 / np.sqrt(safe), np.nan)


def _recovery(mean: Floats, flow: Floats, design: Floats) -> tuple[Floats, Flags]:
    """From two meters, else flows, else the set-point."""
    feed, permeate, waste = mean[:, _FEED], mean[:, _PERMEATE], mean[:, _CONCENTRATE]

    def share(part: Floats, whole: Floats) -> Floats:
        return np.where(whole > 0, part / np.where(whole > 0, whole, 1.0), np.nan)

    metered = share(permeate, feed)
    metered = np.where(np.isfinite(metered), metered, share(permeate, permeate + waste))
    metered = np.where(np.isfinite(metered), metered, 1 - share(waste, feed))
    believable = (metered >= _LEAST_RECOVERY) & (metered <= _MOST_RECOVERY)
    measured = np.where(believable, metered, flow)
    is_measured = np.isfinite(measured)
    return np.where(is_measured, measured, design), is_measured


def _sources(has: Flags, recovery: Floats) -> tuple[Ints, Floats]:
    """Which water each water is read from (0 for none), and the factor."""
    to_feed = {_FEED: np.ones_like(recovery), _PERMEATE: 1 / recovery, _CONCENTRATE: 1 / (1 - recovery)}
    order = {
        _FEED: (_FEED, _PERMEATE, _CONCENTRATE),
        _PERMEATE: (_PERMEATE, _FEED, _CONCENTRATE),
        _CONCENTRATE: (_CONCENTRATE, _FEED, _PERMEATE),
    }
    source = np.zeros(has.shape, dtype=np.int64)
    factor = np.full(has.shape, np.nan)
    for water, candidates in order.items():
        for candidate in reversed(candidates):
            source[:, water] = np.where(has[:, candidate], candidate, source[:, water])
            ratio = to_feed[candidate] / to_feed[water]
            factor[:, water] = np.where(has[:, candidate], ratio, factor[:, water])
    return source, factor


def _unit_use(
    registers: Registers,
    counted: Counted,
    rates: _Rates,
    source: Ints,
    factor: Floats,
    units: Units,
    recovery: Floats,
    is_measured: Flags,
    rules: UseSettings,
) -> UnitUse:
    count = len(recovery)
    unit = np.arange(count)
    metered = source[:, _PERMEATE] > 0

    def of_source(table: Floats, water: int, fallback: Floats) -> Floats:
        return np.where(source[:, water] > 0, table[unit, source[:, water]] * factor[:, water], fallback)

    design = units.design_use_gal_per_day
    permeate = of_source(rates.posterior, _PERMEATE, design)
    feed = of_source(rates.posterior, _FEED, design / recovery)
    used = registers.series // WATERS
    read = newest_time(used, count, registers.at_d)
    moved = registers.follows & (counted.gal > 0) & ~counted.is_still
    ran = newest_time(used[moved], count, registers.at_d[moved])
    still_from, still_to = _long_still(registers, counted, units.idle_limit_days)
    return UnitUse(
        permeate_gal_per_day=permeate,
        spread_gal_per_sqrt_day=of_source(rates.spread, _PERMEATE, rules.design_spread * design),
        feed_gal_per_day=feed,
        recovery=recovery,
        recovery_is_measured=is_measured,
        readings_used=_readings_used(registers, counted, source, count),
        last_read_at_d=np.where(np.isfinite(read), read, np.nan),
        is_design_duty=~metered,
        last_ran_at_d=np.where(np.isfinite(ran), ran, np.nan),
        drift_sd_gal_per_day=of_source(rates.drift_sd, _PERMEATE, rules.design_cv * design),
        wander_seen=np.where(metered, rates.wander_seen[unit, source[:, _PERMEATE]], np.nan),
        wander_per_sqrt_day=np.full(count, rules.use_wander),
        still_from_d=still_from,
        still_to_d=still_to,
    )


def _readings_used(registers: Registers, counted: Counted, source: Ints, count: int) -> Ints:
    """Readings of the meter that permeate is counted from, misread ones left out."""
    driving = source[registers.series // WATERS, _PERMEATE] == registers.series % WATERS
    good = driving & (counted.fault != UseFault.OUTLIER)
    return np.bincount(registers.series[good] // WATERS, minlength=count).astype(np.int64)


def _long_still(registers: Registers, counted: Counted, limit_days: Floats) -> tuple[Floats, Floats]:
    """Newest stretch of each unit beyond its idle limit in which none of its meters moved."""
    count = len(limit_days)
    order = np.argsort(time_key(registers.series // WATERS, registers.at_d), kind="stable")
    unit, at_d = registers.series[order] // WATERS, registers.at_d[order]
    moved = (registers.follows & ~counted.is_still)[order] | ~registers.follows[order]
    if len(unit) == 0:
        return np.full(count, np.nan), np.full(count, np.nan)
    row = np.arange(len(unit))
    since = np.maximum.accumulate(np.where(moved, row, 0))
    length = at_d - at_d[since]
    long = np.flatnonzero((length > limit_days[unit]) & (unit[since] == unit) & ~moved)
    begin, end = np.full(count, np.nan), np.full(count, np.nan)
    begin[unit[long]], end[unit[long]] = at_d[since[long]], at_d[long]
    return begin, end


def _curves(
    registers: Registers,
    counted: Counted,
    source: Ints,
    factor: Floats,
    use: UnitUse,
    count: int,
    season: SeasonClock,
) -> UseCurves:
    unit = np.arange(count)[:, None]
    mean = np.full((count, WATERS), np.nan)
    mean[:, _FEED] = use.feed_gal_per_day
    mean[:, _PERMEATE] = use.permeate_gal_per_day
    mean[:, _CONCENTRATE] = use.feed_gal_per_day - use.permeate_gal_per_day
    return UseCurves(
        series_bounds=group_bounds(registers.series, count * WATERS),
        key=time_key(registers.series, registers.at_d),
        at_d=registers.at_d,
        cumulated=np.cumsum(to_fixed(counted.gal)),
        source_series=np.where(source > 0, unit * WATERS + source, -1),
        source_factor=factor,
        gal_per_day=mean,
        season=season,
    )


def _faults(registers: Registers, counted: Counted) -> MeterFaults:
    rows = np.flatnonzero(counted.fault != UseFault.NONE)
    series = registers.series[rows]
    return MeterFaults(
        unit_row=series // WATERS,
        water=series % WATERS,
        meter_id=registers.meter_id[rows],
        read_at_d=registers.at_d[rows],
        fault=counted.fault[rows],
        counted_gal=counted.gal[rows],
        raw_gal=counted.raw_gal[rows],
    )
