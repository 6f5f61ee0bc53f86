"""Medians by group and fixed-width windows of a sorted table, without a loop over groups.

Sums that run across groups would make a result depend on its neighbours; only whole numbers are summed so.
"""

import numpy as np

from fleet.science.columns import Floats, Ints


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
