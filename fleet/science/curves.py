"""Cumulated gallons as a function of time, for any treatment unit, water and moment."""

from dataclasses import dataclass

import numpy as np

from fleet.science.columns import Floats, Ints, Water
from fleet.science.registers import WATERS
from fleet.science.season import SeasonClock
from fleet.science.series import from_fixed, time_key


@dataclass(frozen=True)
class UseCurves:
    """
    What the meters counted, straight between readings, mean use before the first and after the last.

    The arrays ``source_series``, ``source_factor`` and ``gal_per_day`` are (units, 4), second axis ``Water``.
    """

    series_bounds: Ints
    """(series + 1,) first row of each series."""
    key: Ints
    at_d: Floats
    cumulated: Ints
    """Counted gallons in whole steps; only differences inside one series mean anything."""
    source_series: Ints
    """Series the water is read from, -1 when none."""
    source_factor: Floats
    """Gallons of this water per gallon of the source. [-]"""
    gal_per_day: Floats
    """Mean use of this water. [gal/day]"""
    season: SeasonClock


def gallons_at(curves: UseCurves, unit_row: Ints, water: Ints, at_d: Floats) -> Floats:
    """
    Return cumulated gallons at a moment, from an origin of the unit's and water's own.

    Parameters
    ----------
    curves : UseCurves
        The curves.
    unit_row : array (n,)
        Treatment unit.
    water : array (n,)
        A ``Water``.
    at_d : array (n,)
        Moments. [day]

    Returns
    -------
    array (n,)
        Gallons; only differences of one unit and water mean anything. NaN where use is unknown. [gal]
    """
    series = curves.source_series[unit_row, water]
    mean = curves.gal_per_day[unit_row, water]
    gallons = mean * curves.season.worked_days(at_d)
    metered = np.flatnonzero((series >= 0) & np.isfinite(at_d))
    if len(metered):
        factor = curves.source_factor[unit_row[metered], water[metered]]
        gallons[metered] = _metered(curves, series[metered], factor, mean[metered], at_d[metered])
    return gallons


def _metered(curves: UseCurves, series: Ints, factor: Floats, mean: Floats, at_d: Floats) -> Floats:
    first, last = curves.series_bounds[series], curves.series_bounds[series + 1] - 1
    row = np.searchsorted(curves.key, time_key(series, at_d), side="right") - 1
    row = np.clip(row, first, last)
    after = np.minimum(row + 1, last)
    step = curves.at_d[after] - curves.at_d[row]
    share = np.clip((at_d - curves.at_d[row]) / np.where(step > 0, step, 1.0), 0.0, 1.0)
    inside = from_fixed(curves.cumulated[row] - curves.cumulated[first])
    inside = inside + share * from_fixed(curves.cumulated[after] - curves.cumulated[row])
    worked = curves.season.worked_days
    before = np.minimum(worked(at_d) - worked(curves.at_d[first]), 0.0)
    beyond = np.maximum(worked(at_d) - worked(curves.at_d[last]), 0.0)
    gallons: Floats = factor * inside + mean * (before + beyond)
    return gallons


def gallons_between(curves: UseCurves, unit_row: Ints, water: Ints, from_d: Floats, to_d: Floats) -> Floats:
    """
    Return gallons between two moments.

    Parameters
    ----------
    curves : UseCurves
        The curves.
    unit_row : array (n,)
        Treatment unit.
    water : array (n,)
        A ``Water``.
    from_d : array (n,)
        Begin. [day]
    to_d : array (n,)
        End. [day]

    Returns
    -------
    array (n,)
        Never below 0, NaN where use or a moment is unknown. [gal]
    """
    used = gallons_at(curves, unit_row, water, to_d) - gallons_at(curves, unit_row, water, from_d)
    return np.maximum(used, 0.0)


def permeate_intervals(curves: UseCurves) -> tuple[Ints, Floats, Floats, Floats]:
    """
    Return what was counted between readings, as permeate, faults repaired.

    Parameters
    ----------
    curves : UseCurves
        The curves.

    Returns
    -------
    tuple of arrays (n,)
        Treatment unit, begin [day], end [day] and permeate [gal] of each interval.
    """
    unit = np.flatnonzero(curves.source_series[:, Water.PERMEATE] >= 0)
    series = curves.source_series[unit, Water.PERMEATE]
    row_series = np.repeat(np.arange(len(curves.series_bounds) - 1), np.diff(curves.series_bounds))
    owner = np.full(len(curves.series_bounds) - 1, -1, dtype=np.int64)
    owner[series] = unit
    follows = np.flatnonzero((row_series[1:] == row_series[:-1]) & (owner[row_series[1:]] >= 0)) + 1
    row = owner[row_series[follows]]
    gal = from_fixed(curves.cumulated[follows] - curves.cumulated[follows - 1])
    begin, end = curves.at_d[follows - 1], curves.at_d[follows]
    return row, begin, end, gal * curves.source_factor[row, Water.PERMEATE]


WATER_AXIS = len(Water) + 1
assert WATER_AXIS == WATERS
