"""Shares the drive of a route out over its stops, and cents over rows, so that the shares add up exactly."""

import numpy as np
from numpy.typing import ArrayLike

from fleet.science.columns import Floats
from scheduling.money.recurring import Ints


def drive_weights(alone_km: ArrayLike, group_row: Ints) -> Floats:
    """
    Return the weight of each stop in its route's drive.

    Parameters
    ----------
    alone_km : array (stops,)
        Way from the technician's start to the stop and back, as if it were the only one; NaN where the
        site or the start has no coordinates. [km]
    group_row : array (stops,)
        Route of each stop.

    Returns
    -------
    array (stops,)
        The trip alone, in km. Where a route has a stop without coordinates, or only stops at the door, its
        stops weigh 1 each: an equal split. [-]

    Notes
    -----
    A stop answers for the trip it would have been alone. So neighbours far out share the long way between
    them, whichever is driven to first; and as a round trip is never longer than the single trips together,
    no stop carries more than its own trip. Sharing out in proportion to the cost of standing alone is a
    rule of cost allocation long in use (value from memory).
    """
    km = np.asarray(alone_km, dtype=np.float64)
    routes = int(group_row.max()) + 1 if len(group_row) else 0
    total = np.zeros(routes)
    np.add.at(total, group_row, km)
    is_known = total[group_row] > 0
    return np.where(is_known, km, 1.0)


def split_groups(total_cents: Ints, group_row: Ints, weights: ArrayLike) -> Ints:
    """
    Split each group's cents over its rows by weight.

    Parameters
    ----------
    total_cents : array (groups,)
        What to split, 0 or more. [cent]
    group_row : array (rows,)
        Group of each row.
    weights : array (rows,)
        0 or more, with a positive sum in each group that has rows. [-]

    Returns
    -------
    array (rows,)
        Shares that add up to their group's total; the largest remainders get the cents left over, earlier
        rows first on a tie. [cent]

    Raises
    ------
    ValueError
        For a weight below 0, or a group whose weights are all 0.
    """
    heavy = np.asarray(weights, dtype=np.float64)
    if not len(heavy):
        return np.zeros(0, dtype=np.int64)
    sums = np.zeros(len(total_cents))
    np.add.at(sums, group_row, heavy)
    if (heavy < 0).any() or not (sums[group_row] > 0).all():
        raise ValueError("Splitting money needs weights of zero or more with a positive sum.")
    exact = total_cents[group_row] * (heavy / sums[group_row])
    shares = np.floor(exact + 1e-9).astype(np.int64)
    given = np.zeros(len(total_cents), dtype=np.int64)
    np.add.at(given, group_row, shares)
    left = total_cents - given
    order = np.lexsort((np.arange(len(heavy)), shares - exact, group_row))
    ordered = group_row[order]
    starts = np.flatnonzero(np.r_[True, ordered[1:] != ordered[:-1]])
    rank = np.arange(len(heavy)) - np.repeat(starts, np.diff(np.r_[starts, len(heavy)]))
    shares[order] += rank < left[ordered]
    return shares
