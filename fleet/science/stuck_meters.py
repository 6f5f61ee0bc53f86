"""Registers that stood still while the site used water: told from a site that uses none, and made good."""

from dataclasses import replace

import numpy as np

from fleet.science.columns import Flags, Floats, Ints, UseFault
from fleet.science.registers import WATERS, Counted, Registers
from fleet.science.series import group_bounds
from fleet.science.settings import UseSettings

_TICKS_BEFORE_STILL = 1.5
_CATCHES_UP = (0.5, 2.0)


def mark_stuck(
    registers: Registers, counted: Counted, mean: Floats, series_count: int, rules: UseSettings
) -> Counted:
    """
    Mark registers that stood still while water should be used, and put mean use in their place.

    Parameters
    ----------
    registers : Registers
        Lined-up readings.
    counted : Counted
        What each interval is worth so far.
    mean : array
        Mean use of each series. [gal/day]
    series_count : int
        Number of series.
    rules : UseSettings
        After how long a standstill is believed to be a fault. [day]

    Returns
    -------
    Counted
        The same with stuck stretches marked; a later jump by what was missing is spread over them.

    Source
    ------
    Our own rule, checked on labelled faults.
    """
    still = counted.is_still
    rows = np.flatnonzero(still)
    if len(rows) == 0:
        return counted
    starts = np.ones(len(rows), dtype=bool)
    starts[1:] = (np.diff(rows) != 1) | (np.diff(registers.series[rows]) != 0)
    run = np.cumsum(starts) - 1
    first, last = rows[starts], rows[np.append(np.flatnonzero(starts)[1:] - 1, len(rows) - 1)]
    length = np.bincount(run, registers.days[rows]).astype(np.float64)
    series = registers.series[first]
    tick = np.full(series_count, np.inf)
    moving = counted.gal > 0
    np.minimum.at(tick, registers.series[moving], counted.gal[moving])
    expected_gal = mean[series] * length
    long = (length >= rules.still_days) & (expected_gal > 0)
    long &= ~(expected_gal <= _TICKS_BEFORE_STILL * np.where(np.isfinite(tick[series]), tick[series], 0.0))
    long &= ~_others_stood(registers, counted.gal, first, last, series_count)
    stuck = rows[long[run]]
    gal, fault = counted.gal.copy(), counted.fault.copy()
    fault[stuck] = UseFault.STUCK
    gal[stuck] = mean[registers.series[stuck]] * registers.days[stuck]
    _spread_catch_up(registers, counted.raw_gal, rows, run, last, length, long, mean, gal, fault)
    return replace(counted, gal=gal, fault=fault)


def _spread_catch_up(
    registers: Registers,
    raw: Floats,
    rows: Ints,
    run: Ints,
    last: Ints,
    length: Floats,
    long: Flags,
    mean: Floats,
    gal: Floats,
    fault: Ints,
) -> None:
    """Where the register then jumps by what was missing, only its reading had stopped: spread the jump."""
    after = np.minimum(last + 1, len(raw) - 1)
    span = length + registers.days[after]
    usual = mean[registers.series[last]] * span
    caught = long & (after > last) & registers.follows_meter[after]
    caught &= (raw[after] >= _CATCHES_UP[0] * usual) & (raw[after] <= _CATCHES_UP[1] * usual)
    rate = np.where(caught, raw[after] / np.where(caught, span, 1.0), 0.0)
    spread = np.concatenate((rows[caught[run]], after[caught]))
    gal[spread] = np.concatenate((rate[run][caught[run]], rate[caught])) * registers.days[spread]
    fault[spread] = UseFault.STUCK


def _others_stood(registers: Registers, gal: Floats, first: Ints, last: Ints, series_count: int) -> Flags:
    """Whether the treatment unit has another meter that was read in the stretch, and none of them moved."""
    bounds = group_bounds(registers.series, series_count)
    from_d, to_d = registers.at_d[first - 1], registers.at_d[last]
    moves = np.concatenate(([0], np.cumsum(gal > 0)))
    own = registers.series[first]
    read = np.zeros(len(first), dtype=bool)
    moved = np.zeros(len(first), dtype=bool)
    for water in range(1, WATERS):
        other = own // WATERS * WATERS + water
        begin = _first_after(registers.at_d, bounds[other], bounds[other + 1], from_d)
        end = _first_after(registers.at_d, bounds[other], bounds[other + 1], to_d)
        inside = (end > begin) & (other != own)
        read |= inside
        moved |= inside & (moves[end] > moves[begin])
    return read & ~moved


def _first_after(at_d: Floats, low: Ints, high: Ints, when_d: Floats) -> Ints:
    """First row of each slice [low, high) later than ``when_d``, by halving."""
    low, high = low.copy(), high.copy()
    while (low < high).any():
        middle = (low + high) // 2
        later = at_d[np.minimum(middle, len(at_d) - 1)] > when_d
        open_ = low < high
        high = np.where(open_ & later, middle, high)
        low = np.where(open_ & ~later, middle + 1, low)
    return low
