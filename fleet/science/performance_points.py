"""Readings brought to their unit's standard conditions and folded into weekly points."""

from dataclasses import dataclass

import numpy as np

from fleet.science.arrays import positive
from fleet.science.columns import Flags, Floats, Ints, PerformanceReadings, PerformanceSeries
from fleet.science.grouping import group_medians, rank_in_group
from fleet.science.normalise import normalised_pressure_drop, salt_passage_flow_form
from fleet.science.performance_rows import Membranes, ReadingForm, ReadingValues
from fleet.science.performance_settings import PerformanceSettings


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
