"""Sums, look-ups and medians inside the groups of a sorted table, without a loop over groups.

Whatever runs across groups here is whole numbers, so a group's result never depends on its neighbours:
a shard split in two gives the same bits.
"""

import numpy as np

from fleet.science.columns import Flags, Floats, Ints

STEPS_PER_DAY = 2.0**20
"""Resolution of look-up keys, 0.08 s. [1/day]"""
_KEY_BITS = 40
_FIXED = 2.0**20
_MOST_FIXED = 2.0**42


def time_key(group: Ints, at_d: Floats) -> Ints:
    """
    Fold group number and time into one sortable whole number.

    Parameters
    ----------
    group : array (n,)
        Group numbers, 0 to 8 million.
    at_d : array (n,)
        Times since 1970, clipped to the years 1970 to 4840. [day]

    Returns
    -------
    array (n,)
        Keys that sort by group, then by time to 0.08 s.
    """
    steps = np.clip(at_d, 0.0, 2.0**20 - 1) * STEPS_PER_DAY
    return (group.astype(np.int64) << _KEY_BITS) | steps.astype(np.int64)


def group_bounds(sorted_group: Ints, groups: int) -> Ints:
    """
    Return where each group begins, and where the last one ends.

    Parameters
    ----------
    sorted_group : array (n,)
        Group number of each row, sorted.
    groups : int
        How many groups there are.

    Returns
    -------
    array (groups + 1,)
        Row numbers.
    """
    return np.searchsorted(sorted_group, np.arange(groups + 1), side="left")


def to_fixed(amounts: Floats) -> Ints:
    """
    Return amounts as whole steps of 2**-20, NaN as 0.

    Parameters
    ----------
    amounts : array
        Any quantity below 4e12, and below 8e12 in sum over one group; a larger one is clipped.

    Returns
    -------
    array
        Whole numbers; sums of them are exact and wrap harmlessly across groups.
    """
    known = np.nan_to_num(amounts, nan=0.0, posinf=0.0, neginf=0.0)
    return np.rint(np.clip(known, -_MOST_FIXED, _MOST_FIXED) * _FIXED).astype(np.int64)


def from_fixed(steps: Ints) -> Floats:
    """
    Undo ``to_fixed``.

    Parameters
    ----------
    steps : array
        Whole steps of 2**-20.

    Returns
    -------
    array
        The quantity.
    """
    return steps / _FIXED


def latest_true_row(flags: Flags) -> Ints:
    """
    Return for each row the newest row up to it whose flag is set, -1 before the first.

    Parameters
    ----------
    flags : array (n,)
        The flags. The caller checks that the row found lies in its own group.

    Returns
    -------
    array (n,)
        Row numbers.
    """
    return np.maximum.accumulate(np.where(flags, np.arange(len(flags)), -1))


def positive_median(group: Ints, groups: int, values: Floats) -> tuple[Floats, Ints]:
    """
    Return median and count of each group's positive values.

    Parameters
    ----------
    group : array (n,)
        Group numbers, in any order.
    groups : int
        How many groups there are.
    values : array (n,)
        Values; what is not above 0 is left out.

    Returns
    -------
    tuple of array (groups,), array (groups,)
        Medians to seven digits (NaN for an empty group) and counts.

    Notes
    -----
    Positive 32-bit floats sort like their bit patterns, so one sort of whole numbers does it.
    """
    used = values > 0
    bits = values[used].astype(np.float32).view(np.uint32).astype(np.int64)
    keys = np.sort((group[used].astype(np.int64) << 32) | bits)
    starts = np.searchsorted(keys, np.arange(groups + 1, dtype=np.int64) << 32, side="left")
    counts = np.diff(starts)
    medians = np.full(groups, np.nan)
    some = np.flatnonzero(counts)
    low = keys[starts[some] + (counts[some] - 1) // 2]
    high = keys[starts[some] + counts[some] // 2]
    medians[some] = (_float_of(low) + _float_of(high)) / 2
    return medians, counts


def newest_time(row: Ints, rows: int, at_d: Floats) -> Floats:
    """
    Return the newest time entered for each row number.

    Parameters
    ----------
    row : array (n,)
        Row numbers, -1 is left out.
    rows : int
        How many rows there are.
    at_d : array (n,)
        Times, NaN is left out. [day]

    Returns
    -------
    array (rows,)
        Newest times, minus infinity where there is none. [day]
    """
    newest = np.full(rows, -np.inf)
    known = (row >= 0) & np.isfinite(at_d)
    np.maximum.at(newest, row[known], at_d[known])
    return newest


def _float_of(keys: Ints) -> Floats:
    return (keys & 0xFFFFFFFF).astype(np.uint32).view(np.float32).astype(np.float64)
