"""Meter registers as read, lined up with their neighbours, and what each interval is worth.

Registers that stood still while the site used water: told from a site that uses none, and made good.
Stretches of readings entered in another measure of volume: litres for gallons, or the reverse.
"""

from dataclasses import dataclass, replace

import numpy as np

from fleet.science.columns import Flags, Floats, Ints, UseFault
from fleet.science.series import group_bounds
from fleet.science.settings import UseSettings
from shared.measures import LITRES_PER_GAL

WATERS = 4
"""Series number = treatment unit × 4 + ``Water``; 0 is not used."""


@dataclass(frozen=True)
class Registers:
    """Readings that carry a number, sorted by (``series``, ``at_d``)."""

    series: Ints
    meter_id: Ints
    at_d: Floats
    total_gal: Floats
    rollover_gal: Floats
    days: Floats
    """Length of the interval that ends here; NaN at the first reading of a series. [day]"""
    follows: Flags
    """The row before belongs to the same series."""
    follows_meter: Flags
    """The row before is of the same meter, too."""


@dataclass(frozen=True)
class Counted:
    """What each interval is worth, one row per row of ``Registers``."""

    gal: Floats
    """Counted use; 0 at the first reading of a series. [gal]"""
    raw_gal: Floats
    """Register difference as entered; 0 at the first reading. [gal]"""
    fault: Ints
    is_still: Flags
    """The register did not move."""


def line_up(series: Ints, meter_id: Ints, at_d: Floats, total_gal: Floats, rollover_gal: Floats) -> Registers:
    """
    Prepare sorted readings for judgement.

    Parameters
    ----------
    series : array (n,)
        Series number, sorted.
    meter_id : array (n,)
        Meter of each reading.
    at_d : array (n,)
        Times, sorted inside a series. [day]
    total_gal : array (n,)
        Register. [gal]
    rollover_gal : array (n,)
        Where the register starts again, NaN when unknown. [gal]

    Returns
    -------
    Registers
        The same rows with their neighbours known.

    Raises
    ------
    ValueError
        When rows are not sorted.
    """
    count = len(series)
    follows = np.zeros(count, dtype=bool)
    same_meter = np.zeros(count, dtype=bool)
    days = np.full(count, np.nan)
    if count:
        follows[1:] = series[1:] == series[:-1]
        same_meter[1:] = follows[1:] & (meter_id[1:] == meter_id[:-1])
        days[1:] = np.where(follows[1:], np.diff(at_d), np.nan)
        if (np.diff(series) < 0).any() or (days < 0).any():
            raise ValueError("Readings must be sorted by unit_row, water, read_at_d.")
    return Registers(series, meter_id, at_d, total_gal, rollover_gal, days, follows, same_meter)


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
    was_read, moved = _others(registers, counted.gal, first, last, series_count)
    long &= moved | ~was_read
    stuck = rows[(long & (moved | (length >= rules.away_days)))[run]]
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


def _others(
    registers: Registers, gal: Floats, first: Ints, last: Ints, series_count: int
) -> tuple[Flags, Flags]:
    """Whether the treatment unit has another meter that was read in the stretch, and whether one moved."""
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
    return read, moved


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


_STATES = np.array([0, 1, -1])
"""Power of 3.785 the register is off by; 0 first, so a tie goes to no slip."""
_LOG_SPREAD = 0.6
"""Spread of the logarithm of use over typical use from one interval to the next."""
_WORST = 9.0
"""Cost of an advance that cannot be use at all: three such spreads."""
_NOTHING = 5.0
"""Cost of no use at all, to two percent of typical use."""
_SWITCH = 4.0
"""Cost of a change of measure: about one in 2000 readings (e**(-2 × 4))."""
_LOOK_ABOVE = 2.5
_LOOK_BEHIND = 17
_FITS = (-0.1, 6.0)


def slip_states(
    values: Floats,
    typical_gal: Floats,
    day_gal: Floats,
    follows: Flags,
    follows_meter: Flags,
    raw_gal: Floats,
) -> Ints:
    """
    Return by which power of 3.785 each reading is off.

    Parameters
    ----------
    values : array (n,)
        Registers, sorted by series and time. [gal]
    typical_gal : array (n,)
        Typical use over the interval that ends at the reading, 0 or NaN where unknown. [gal]
    day_gal : array (n,)
        Typical use of a day. [gal]
    follows : array (n,)
        The row before is of the same series.
    follows_meter : array (n,)
        The row before is of the same meter.
    raw_gal : array (n,)
        Register differences. [gal]

    Returns
    -------
    array (n,)
        1 litres taken for gallons, -1 the reverse, 0 right. The first reading of a series is taken as right.

    Notes
    -----
    The cheapest path through the three states (dynamic programming, Viterbi) where an interval costs
    (ln(advance/typical)/0.6)², at most 9, no use 5, and a change of state 4. Steps run along the readings of
    the few series that have a jump which a factor of 3.785 explains, from the row before the first one to
    16 rows behind the last; all of them go at once. What follows keeps the last state.
    """
    state = np.zeros(len(values), dtype=np.int64)
    suspects = _suspects(values, typical_gal, day_gal, follows_meter, raw_gal)
    if len(suspects) == 0:
        return state
    first_row = np.maximum.accumulate(np.where(follows, 0, np.arange(len(values))))
    owner, first = np.unique(first_row[suspects], return_index=True)
    last = np.append(first[1:], len(suspects)) - 1
    begins = np.flatnonzero(~follows)
    ends = np.append(begins, len(values))[np.searchsorted(begins, owner) + 1]
    starts, stops = suspects[first] - 1, np.minimum(suspects[last] + _LOOK_BEHIND, ends)
    order = np.argsort(starts - stops, kind="stable")
    starts, stops, ends = starts[order], stops[order], ends[order]
    lengths = stops - starts
    state[_rows_of(starts, lengths)] = _cheapest(values, typical_gal, follows_meter, starts, lengths)
    state[_rows_of(stops, ends - stops)] = np.repeat(state[stops - 1], ends - stops)
    return state


def _suspects(
    values: Floats, typical_gal: Floats, day_gal: Floats, follows_meter: Flags, raw_gal: Floats
) -> Ints:
    """Rows whose jump, larger than a day's use, a factor of 3.785 would explain."""
    least = np.maximum(_LOOK_ABOVE * typical_gal, day_gal)
    rows = np.flatnonzero(follows_meter & ((raw_gal < 0) | (raw_gal > least)))
    rows = rows[typical_gal[rows] > 0]
    factor = np.where(raw_gal[rows] < 0, LITRES_PER_GAL, 1 / LITRES_PER_GAL)
    advance = (values[rows] * factor - values[rows - 1]) / np.maximum(typical_gal, day_gal)[rows]
    return rows[(advance > _FITS[0]) & (advance < _FITS[1])]


def _rows_of(starts: Ints, lengths: Ints) -> Ints:
    ends = np.cumsum(lengths)
    return np.arange(int(lengths.sum())) - np.repeat(ends - lengths, lengths) + np.repeat(starts, lengths)


def _cheapest(values: Floats, typical_gal: Floats, follows_meter: Flags, starts: Ints, lengths: Ints) -> Ints:
    """Viterbi over series sorted longest first; states of all their rows, in order."""
    many, longest = len(starts), int(lengths[0])
    scale = LITRES_PER_GAL ** _STATES.astype(np.float64)
    switch = _SWITCH * (_STATES[:, None] != _STATES[None, :])
    cost = np.tile(np.array([0.0, np.inf, np.inf]), (many, 1))
    came_from = np.zeros((longest, many, 3), dtype=np.int8)
    alive = np.searchsorted(-lengths, -np.arange(longest), side="left")
    for step in range(1, longest):
        going = int(alive[step])
        row = starts[:going] + step
        advance = (values[row][:, None] / scale)[:, None, :] - (values[row - 1][:, None] / scale)[:, :, None]
        paid = _interval_cost(advance, typical_gal[row], follows_meter[row]) + switch
        total = cost[:going, :, None] + paid
        best = total.argmin(axis=1)
        came_from[step, :going] = best
        cost[:going] = np.take_along_axis(total, best[:, None, :], axis=1)[:, 0, :]
    path = np.zeros((longest, many), dtype=np.int64)
    now = cost.argmin(axis=1)
    for step in range(longest - 1, -1, -1):
        going = int(alive[step])
        path[step, :going] = now[:going]
        now[:going] = came_from[step, np.arange(going), now[:going]]
    inside = np.arange(longest)[None, :] < lengths[:, None]
    return _STATES[path.T[inside]]


def _interval_cost(advance: Floats, typical_gal: Floats, follows_meter: Flags) -> Floats:
    usable = (advance > 0) & (typical_gal > 0)[:, None, None]
    ratio = np.where(usable, advance, 1.0) / np.where(typical_gal > 0, typical_gal, 1.0)[:, None, None]
    cost = np.where(usable, np.minimum((np.log(ratio) / _LOG_SPREAD) ** 2, _WORST), _WORST)
    still = np.abs(advance) <= 0.02 * typical_gal[:, None, None]
    cost = np.where(still, np.minimum(cost, _NOTHING), cost)
    return np.where(follows_meter[:, None, None], cost, 0.0)
