"""Each performance reading by itself: what can be computed from its gauges before any comparison.

Readings brought to their unit's standard conditions and folded into weekly points.
"""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from fleet.science.change import group_medians, rank_in_group
from fleet.science.chemistry import log_mean_factor, osmotic_pressure_from_tds, tds_from_conductivity
from fleet.science.columns import Flags, Floats, Ints, PartRole, Parts, PerformanceReadings, Units, positive
from fleet.science.found import PerformanceSeries
from fleet.science.gauges import BELIEVABLE_K
from fleet.science.normalise import (
    net_driving_pressure,
    normalised_pressure_drop,
    pressure_drop_temperature_factor,
    salt_passage_flow_form,
    temperature_factor,
)
from fleet.science.performance_charts import PerformanceSettings


class ReadingForm(IntEnum):
    """How much of the correction a reading allows, best first."""

    FULL = 0
    SOME_GAUGES = 1
    """Concentrate or permeate gauge, concentrate flow or the membrane's own constant is missing: the missing
    term is left out of the driving pressure, the design recovery stands for the measured one."""
    TEMPERATURE_ONLY = 2
    """Feed pressure or feed conductivity is missing."""
    UNUSABLE = 3
    """No permeate flow, no temperature, or no membrane."""


@dataclass(frozen=True)
class Membranes:
    """The membrane each treatment unit is judged by, one row per unit; NaN where it has none."""

    k_below_25: Floats
    k_from_25: Floats
    """Constants of the first membrane along the water. [K]"""
    is_fallback_k: Flags
    since_d: Floats
    """When the newest of the unit's membranes was put in; -inf if that is unknown, NaN without a membrane."""


@dataclass(frozen=True)
class ReadingValues:
    """One row per performance reading, in its order."""

    form: Ints
    factor: Floats
    """Temperature factor, below 1 when cold. [-]"""
    driving_psi: Floats
    """NaN unless the form is FULL or SOME_GAUGES."""
    feed_brine_ratio: Floats
    """Average feed-brine over feed concentration. [-]"""
    passage: Floats
    """Permeate over feed conductivity. [-]"""
    drop_psi: Floats
    """Feed less concentrate pressure, brought to 25 °C. [psi]"""
    raw_flow_gpm: Floats
    concentrate_gpm: Floats
    """Measured, NaN where not."""


def find_membranes(units: Units, parts: Parts, now_d: float, settings: PerformanceSettings) -> Membranes:
    """
    Return the constants of the first membrane and the date of the newest, per treatment unit.

    Parameters
    ----------
    units : Units
        Treatment units.
    parts : Parts
        Parts in place, sorted by unit and position.
    now_d : float
        Parts put in later are not there yet. [day]
    settings : PerformanceSettings
        Holds the constant used when the membrane's own is unknown. [K]

    Returns
    -------
    Membranes
        One row per treatment unit.
    """
    count = len(units.unit_id)
    chosen = np.flatnonzero((parts.role == PartRole.MEMBRANE) & ~(parts.installed_at_d > now_d))
    owner = parts.unit_row[chosen]
    owners, first = np.unique(owner, return_index=True)
    below, above = np.full(count, np.nan), np.full(count, np.nan)
    below[owners] = parts.temperature_k_below_25[chosen[first]]
    above[owners] = parts.temperature_k_from_25[chosen[first]]
    has_membrane = np.zeros(count, dtype=bool)
    has_membrane[owners] = True
    since = np.where(has_membrane, -np.inf, np.nan)
    installed = parts.installed_at_d[chosen]
    np.maximum.at(since, owner, np.where(np.isnan(installed), -np.inf, installed))
    least, most = BELIEVABLE_K
    is_known = (below >= least) & (below <= most) & (above >= least) & (above <= most)
    is_unknown = has_membrane & ~is_known
    below = np.where(is_unknown, settings.fallback_k, below)
    above = np.where(is_unknown, settings.fallback_k, above)
    return Membranes(below, above, is_unknown, since)


def read_gauges(units: Units, membranes: Membranes, readings: PerformanceReadings) -> ReadingValues:
    """
    Return what each reading says by itself.

    Parameters
    ----------
    units : Units
        For the design recovery.
    membranes : Membranes
        From ``find_membranes``.
    readings : PerformanceReadings
        Gauges and flows.

    Returns
    -------
    ReadingValues
        One row per reading.

    Notes
    -----
    Impossible gauges (concentrate above feed pressure, no positive driving pressure, flow not above 0) count
    as unread. An unread permeate conductivity leaves out the permeate's osmotic pressure, below 1 % of the
    driving pressure on tap water.
    """
    unit = readings.unit_row
    flow = positive(readings.permeate_flow_gpm)
    concentrate = positive(readings.concentrate_flow_gpm)
    measured_recovery = flow / (flow + concentrate)
    recovery = np.where(np.isnan(measured_recovery), units.design_recovery[unit], measured_recovery)
    ratio = log_mean_factor(recovery)
    factor = temperature_factor(
        readings.feed_temperature_c, membranes.k_below_25[unit], membranes.k_from_25[unit]
    )
    drop = readings.feed_pressure_psi - readings.concentrate_pressure_psi
    drop = np.where(drop >= 0, drop, np.nan)
    driving = _driving_pressure(readings, ratio, drop)
    is_all_read = ~np.isnan(measured_recovery + drop + readings.permeate_pressure_psi)
    is_all_read &= ~membranes.is_fallback_k[unit]
    form = np.where(is_all_read, ReadingForm.FULL, ReadingForm.SOME_GAUGES)
    form = np.where(np.isnan(driving), ReadingForm.TEMPERATURE_ONLY, form)
    form = np.where(np.isnan(flow * factor), ReadingForm.UNUSABLE, form)
    passage = positive(readings.permeate_conductivity_us_cm) / positive(readings.feed_conductivity_us_cm)
    return ReadingValues(
        form=form.astype(np.int64),
        factor=factor,
        driving_psi=driving,
        feed_brine_ratio=ratio,
        passage=passage,
        drop_psi=positive(drop) * pressure_drop_temperature_factor(readings.feed_temperature_c),
        raw_flow_gpm=flow,
        concentrate_gpm=concentrate,
    )


def _driving_pressure(readings: PerformanceReadings, ratio: Floats, drop_psi: Floats) -> Floats:
    feed_tds = tds_from_conductivity(positive(readings.feed_conductivity_us_cm))
    permeate_tds = tds_from_conductivity(readings.permeate_conductivity_us_cm)
    brine_psi = osmotic_pressure_from_tds(feed_tds * ratio, readings.feed_temperature_c)
    permeate_psi = osmotic_pressure_from_tds(permeate_tds, readings.feed_temperature_c)
    return net_driving_pressure(
        readings.feed_pressure_psi,
        np.nan_to_num(drop_psi),
        np.nan_to_num(readings.permeate_pressure_psi),
        brine_psi,
        np.nan_to_num(permeate_psi),
    )


@dataclass(frozen=True)
class Folding:
    """Which readings belong to the present membrane, and which point each folds into."""

    rows: Ints
    """Reading rows of the present membrane, settled and usable."""
    point: Ints
    """Point each of those rows folds into, 0 upward."""
    owner: Ints
    """Treatment unit of each point, sorted."""
    is_baseline: Flags
    """Per point."""


@dataclass(frozen=True)
class Normalised:
    """One row per performance reading."""

    flow_gpm: Floats
    passage: Floats
    drop_psi: Floats
    form: Ints
    """A ``ReadingForm``; never better than that of the reading by itself."""


@dataclass(frozen=True)
class Points:
    """Folded points, one row each, sorted by treatment unit and time."""

    at_d: Floats
    flow: Floats
    passage: Floats
    drop: Floats
    raw_flow: Floats
    factor: Floats
    flow_error: Floats
    k_error: Floats
    """How wrong the membrane's temperature constant may be. [-]"""


def choose_points(
    membranes: Membranes,
    values: ReadingValues,
    readings: PerformanceReadings,
    now_d: float,
    settings: PerformanceSettings,
) -> Folding:
    """
    Fold readings nearer than a week into one point and say which points make the baseline.

    Parameters
    ----------
    membranes : Membranes
        The newest membrane's date starts the baseline anew.
    values : ReadingValues
        From ``read_gauges``.
    readings : PerformanceReadings
        The same readings.
    now_d : float
        Later readings are left out. [day]
    settings : PerformanceSettings
        Settling time, width of a point, extent of the baseline.

    Returns
    -------
    Folding
        Points count from the unit's first settled reading, so neighbours do not matter.
    """
    settled_d = membranes.since_d[readings.unit_row] + settings.settling_days
    is_used = (values.form != ReadingForm.UNUSABLE) & (readings.read_at_d >= settled_d)
    rows = np.flatnonzero(is_used & (readings.read_at_d <= now_d))
    unit, at_d = readings.unit_row[rows], readings.read_at_d[rows]
    since_first = at_d - at_d[np.searchsorted(unit, unit, side="left")]
    week = np.floor(since_first / settings.point_days + 0.5)
    is_new = np.ones(len(rows), dtype=bool)
    is_new[1:] = (unit[1:] != unit[:-1]) | (week[1:] != week[:-1])
    owner, since_first = unit[is_new], since_first[is_new]
    rank = rank_in_group(owner)
    is_early = (rank < settings.baseline_points) & (since_first <= settings.baseline_days)
    return Folding(
        rows=rows,
        point=np.cumsum(is_new) - 1,
        owner=owner,
        is_baseline=(rank < settings.baseline_least_points) | is_early,
    )


def normalise_readings(
    count: int, values: ReadingValues, readings: PerformanceReadings, folding: Folding
) -> Normalised:
    """
    Bring every reading to its unit's standard conditions.

    Parameters
    ----------
    count : int
        Treatment units.
    values : ReadingValues
        From ``read_gauges``.
    readings : PerformanceReadings
        The same readings.
    folding : Folding
        From ``choose_points``; a unit without baseline is normalised to the median of all its readings.

    Returns
    -------
    Normalised
        Standard conditions are 25 °C and the medians of the baseline readings for driving pressure, both
        flows and recovery. A reading whose driving pressure is unknown is corrected for temperature alone.
    """
    unit = readings.unit_row
    in_baseline = np.zeros(len(unit), dtype=bool)
    in_baseline[folding.rows] = folding.is_baseline[folding.point]
    has_baseline = np.zeros(count, dtype=bool)
    has_baseline[unit[in_baseline]] = True
    chosen = in_baseline | (~has_baseline[unit] & (values.form != ReadingForm.UNUSABLE))

    def standard(column: Floats) -> Floats:
        return group_medians(unit[chosen], count, column[chosen])[unit]

    pressure_ratio = standard(values.driving_psi) / positive(values.driving_psi)
    is_lacking = np.isnan(pressure_ratio)
    form = np.where(is_lacking, np.maximum(values.form, ReadingForm.TEMPERATURE_ONLY), values.form)
    flow = values.raw_flow_gpm / positive(values.factor) * np.where(is_lacking, 1.0, pressure_ratio)
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
    return Normalised(flow, passage, drop, form)


def fold(
    folding: Folding,
    membranes: Membranes,
    readings: PerformanceReadings,
    values: ReadingValues,
    normalised: Normalised,
    settings: PerformanceSettings,
) -> Points:
    """
    Return the median of each point's readings.

    Parameters
    ----------
    folding : Folding
        From ``choose_points``.
    membranes : Membranes
        Whose constant is a fallback.
    readings : PerformanceReadings
        The readings.
    values : ReadingValues
        From ``read_gauges``.
    normalised : Normalised
        From ``normalise_readings``.
    settings : PerformanceSettings
        Expected error of each form.

    Returns
    -------
    Points
        NaN where none of the point's readings has the value.
    """
    errors = np.empty(len(ReadingForm))
    errors[ReadingForm.FULL] = settings.flow_error_full
    errors[ReadingForm.SOME_GAUGES] = settings.flow_error_some_gauges
    errors[ReadingForm.TEMPERATURE_ONLY] = settings.flow_error_temperature_only
    errors[ReadingForm.UNUSABLE] = np.nan

    def folded(column: Floats) -> Floats:
        return group_medians(folding.point, len(folding.owner), column[folding.rows])

    return Points(
        at_d=folded(readings.read_at_d),
        flow=folded(normalised.flow_gpm),
        passage=folded(normalised.passage),
        drop=folded(normalised.drop_psi),
        raw_flow=folded(values.raw_flow_gpm),
        factor=folded(values.factor),
        flow_error=folded(errors[normalised.form]),
        k_error=np.where(membranes.is_fallback_k[folding.owner], settings.fallback_k_error, settings.k_error),
    )


def to_series(
    readings: PerformanceReadings, values: ReadingValues, normalised: Normalised, now_d: float
) -> PerformanceSeries:
    """
    Return the readings that could be normalised, for charts.

    Parameters
    ----------
    readings : PerformanceReadings
        The readings.
    values : ReadingValues
        From ``read_gauges``.
    normalised : Normalised
        From ``normalise_readings``.
    now_d : float
        Later readings are left out. [day]

    Returns
    -------
    PerformanceSeries
        In the order of the readings, those of earlier membranes too.
    """
    shown = np.flatnonzero(np.isfinite(normalised.flow_gpm) & (readings.read_at_d <= now_d))
    return PerformanceSeries(
        unit_row=readings.unit_row[shown],
        read_at_d=readings.read_at_d[shown],
        normalised_flow_gpm=normalised.flow_gpm[shown],
        salt_passage=normalised.passage[shown],
        normalised_drop_psi=normalised.drop_psi[shown],
        raw_flow_gpm=values.raw_flow_gpm[shown],
        is_simple_form=normalised.form[shown] != ReadingForm.FULL,
    )
