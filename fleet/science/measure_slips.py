"""Stretches of readings entered in another measure of volume: litres for gallons, or the reverse."""

import numpy as np

from fleet.science.columns import Flags, Floats, Ints
from shared.measures import LITRES_PER_GAL

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
