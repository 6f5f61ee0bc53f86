"""Each performance reading by itself: what can be computed from its gauges before any comparison."""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from fleet.science.arrays import positive
from fleet.science.chemistry import log_mean_factor, osmotic_pressure_from_tds, tds_from_conductivity
from fleet.science.columns import Flags, Floats, Ints, PartRole, Parts, PerformanceReadings, Units
from fleet.science.gauges import BELIEVABLE_K
from fleet.science.normalise import net_driving_pressure, pressure_drop_temperature_factor, temperature_factor
from fleet.science.performance_settings import PerformanceSettings


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
