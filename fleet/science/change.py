"""Medians by group and fixed-width windows of a sorted table, without a loop over groups.

Has it changed, how fast is it falling: charts and slopes over (treatment units, points).

Sums that run across groups would make a result depend on its neighbours; only whole numbers are summed so.

Rows are independent of each other; a NaN point is one that was not taken.
"""

import numpy as np
from numpy.typing import ArrayLike

from fleet.science.columns import Floats, Ints, as_floats


def rank_in_group(sorted_group: Ints) -> Ints:
    """
    Return each row's 0-based place inside its group.

    Parameters
    ----------
    sorted_group : array (rows,)
        Group number of each row, sorted.

    Returns
    -------
    array (rows,)
        Place inside the group.
    """
    return np.arange(len(sorted_group)) - np.searchsorted(sorted_group, sorted_group, side="left")


def group_medians(sorted_group: Ints, groups: int, values: Floats) -> Floats:
    """
    Return the median of each group's values, NaN left out.

    Parameters
    ----------
    sorted_group : array (rows,)
        Group number of each row, sorted, 0 to ``groups - 1``.
    groups : int
        How many groups there are.
    values : array (rows,)
        Values, NaN where there is none.

    Returns
    -------
    array (groups,)
        Medians, NaN for a group without a value.
    """
    known = np.isfinite(values)
    group, value = sorted_group[known], values[known]
    counts = np.bincount(group, minlength=groups)
    starts = np.concatenate([[0], np.cumsum(counts)])
    # One or two values need no sorting, and most groups have no more.
    is_many = counts[group] > 2
    many_group, many_value = group[is_many], value[is_many]
    value[is_many] = many_value[np.lexsort((many_value, many_group))]
    medians = np.full(groups, np.nan)
    some = np.flatnonzero(counts)
    low = starts[some] + (counts[some] - 1) // 2
    high = starts[some] + counts[some] // 2
    medians[some] = (value[low] + value[high]) / 2
    return medians


def newest_window(sorted_group: Ints, first_group: int, groups: int, width: int) -> Ints:
    """
    Return row numbers of each group's newest rows, oldest first, right-aligned.

    Parameters
    ----------
    sorted_group : array (rows,)
        Group number of each row, sorted; inside a group sorted by time.
    first_group : int
        First group wanted.
    groups : int
        How many groups from there.
    width : int
        Rows per group at most.

    Returns
    -------
    array (groups, width)
        Row numbers, -1 where the group has fewer rows.
    """
    wanted = np.arange(first_group, first_group + groups)
    ends = np.searchsorted(sorted_group, wanted, side="right")
    starts = np.searchsorted(sorted_group, wanted, side="left")
    rows = ends[:, None] - width + np.arange(width)[None, :]
    return np.where(rows >= starts[:, None], rows, -1)


def take_window(values: Floats, rows: Ints) -> Floats:
    """
    Return the values of a window, NaN where a row number is -1.

    Parameters
    ----------
    values : array (n,)
        One column of the table.
    rows : array (groups, width)
        Row numbers from ``newest_window``.

    Returns
    -------
    array (groups, width)
        The values.
    """
    return np.append(values, np.nan)[rows]


def ewma(points: ArrayLike, weight: float, start: ArrayLike = 0.0) -> Floats:
    """
    Return the exponentially weighted moving average after each point.

    Parameters
    ----------
    points : array, last axis = time
        Values in order of time; NaN leaves the average where it is.
    weight : float
        Weight of the newest point, above 0 up to 1. [-]
    start : array
        Average before the first point.

    Returns
    -------
    array, same shape
        ``z_t = w x_t + (1 - w) z_(t-1)``.

    Source
    ------
    NIST e-Handbook of Statistical Methods 6.3.2.4.
    """
    values = as_floats(points)
    averages = np.empty_like(values)
    average = np.broadcast_to(as_floats(start), values.shape[:-1])
    for step in range(values.shape[-1]):
        point = values[..., step]
        average = np.where(np.isnan(point), average, weight * point + (1 - weight) * average)
        averages[..., step] = average
    return averages


def ewma_variance(counts: ArrayLike, weight: float) -> Floats:
    """
    Return the variance of the average after so many points, for points of variance 1.

    Parameters
    ----------
    counts : array
        Points so far, 0 or more.
    weight : float
        Weight of the newest point, above 0 up to 1. [-]

    Returns
    -------
    array
        ``w / (2 - w) (1 - (1 - w)^(2 t))``. [-]

    Source
    ------
    NIST e-Handbook of Statistical Methods 6.3.2.4 gives the limit for many points; the last bracket is
    the exact form for few (Montgomery, Introduction to Statistical Quality Control, value from memory).
    """
    decay = (1 - weight) ** (2 * as_floats(counts))
    return np.asarray(weight / (2 - weight) * (1 - decay))


def cusum(points: ArrayLike, target: float, slack: float) -> tuple[Floats, Floats]:
    """
    Return the two one-sided cumulative sums, for a rise and for a fall.

    Parameters
    ----------
    points : array, last axis = time
        Values in order of time; NaN leaves the sums where they are.
    target : float
        Value in control.
    slack : float
        Half of the smallest shift worth finding, in the measure of the points.

    Returns
    -------
    tuple of arrays, same shape
        Sums for a rise and for a fall, both 0 or more.

    Source
    ------
    Montgomery & Runge, Applied Statistics and Probability for Engineers, example 16-6.
    """
    values = as_floats(points)
    rises, falls = np.empty_like(values), np.empty_like(values)
    rise = fall = np.zeros(values.shape[:-1])
    for step in range(values.shape[-1]):
        point = values[..., step]
        missing = np.isnan(point)
        rise = np.where(missing, rise, np.maximum(0, point - (target + slack) + rise))
        fall = np.where(missing, fall, np.maximum(0, (target - slack) - point + fall))
        rises[..., step], falls[..., step] = rise, fall
    return rises, falls


def theil_sen(times: ArrayLike, points: ArrayLike) -> tuple[Floats, Floats, Floats, Ints]:
    """
    Return slope, intercept and Mann-Kendall score of each row.

    Parameters
    ----------
    times : array (rows, points)
        When. Pairs taken at the same time are skipped.
    points : array (rows, points)
        Values; NaN points are skipped.

    Returns
    -------
    tuple of arrays (rows,)
        Median of the pairwise slopes; ``median(y) - slope median(x)``; the score z of a trend (no
        continuity correction, no ties), negative when falling; points used. NaN and 0 where fewer than two.

    Source
    ------
    Sen (1968) as in Wilcox's example; intercept of Conover; Mann-Kendall variance n(n-1)(2n+5)/18.
    """
    when = as_floats(times)
    values = as_floats(points)
    when = np.where(np.isnan(values), np.nan, when)
    used = np.sum(np.isfinite(when), axis=1)
    first, second = np.triu_indices(when.shape[1], k=1)
    apart = when[:, second] - when[:, first]
    rise = values[:, second] - values[:, first]
    slopes = rise / np.where(apart == 0, np.nan, apart)
    slope = median_of_rows(slopes)
    intercept = median_of_rows(values) - slope * median_of_rows(when)
    concordance = np.nansum(np.sign(slopes), axis=1)
    spread = np.sqrt(used * (used - 1) * (2 * used + 5) / 18)
    score = concordance / np.where(spread > 0, spread, np.nan)
    return slope, intercept, score, used


def median_of_rows(points: Floats) -> Floats:
    """
    Return the median of each row, NaN points left out, NaN for an empty row.

    Parameters
    ----------
    points : array (rows, points)
        Values, NaN where there is none.

    Returns
    -------
    array (rows,)
        Medians; the middle two are averaged when even.

    Notes
    -----
    ``numpy.nanmedian`` warns on empty rows and is slower on many short rows.
    """
    rows = np.arange(points.shape[0])
    ordered = np.sort(points, axis=1)
    counts = np.sum(np.isfinite(points), axis=1)
    if points.shape[1] == 0:
        return np.full(points.shape[0], np.nan)
    low = ordered[rows, np.maximum((counts - 1) // 2, 0)]
    high = ordered[rows, np.minimum(counts // 2, points.shape[1] - 1)]
    return np.where(counts > 0, (low + high) / 2, np.nan)
