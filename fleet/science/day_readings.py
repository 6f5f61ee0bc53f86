"""Which readings stand for a day of a meter that reports by the hour.

Jugel, Jerzak, Hackenbroich, Markl, "M4: A Visualization-Oriented Time Series Data Aggregation", PVLDB 7(10),
2014 (from memory): the first, the last, the lowest and the highest of a stretch keep its shape. Added here:
the two readings around the day's largest fall, so that a register that jumps back is seen whatever follows.
"""

from typing import Any, Final

import numpy as np

from fleet.science.columns import Flags, Floats, Ints

YOUNG_DAYS: Final = 28
"""Days before the day of a treatment unit's newest reading that keep every reading."""
FEW: Final = 4
"""A day with no more readings than this keeps them all."""


def first_young_day(unit_id: Ints, read_at_d: Floats) -> Ints:
    """
    Return, for each reading, the first day of its treatment unit that keeps every reading.

    Reckoned from the treatment unit's newest reading and not from the clock, so that the answer changes only
    when a reading comes.

    Parameters
    ----------
    unit_id : array of int, shape (n,)
        In any order.
    read_at_d : array of float, shape (n,) [days since 1970-01-01 UTC]

    Returns
    -------
    array of int, shape (n,) [days since 1970-01-01 UTC]
    """
    _, unit = np.unique(unit_id, return_inverse=True)
    newest = np.full(unit.max(initial=-1) + 1, -np.inf)
    np.maximum.at(newest, unit, read_at_d)
    days: Ints = np.floor(newest[unit]).astype(np.int64) - YOUNG_DAYS
    return days


def stands_for_its_day(meter_id: Ints, read_at_d: Floats, total_gal: Floats, young_from_d: Ints) -> Flags:
    """
    Say which readings an assessment takes: all of young days, all of few, of many those that stand.

    Parameters
    ----------
    meter_id : array of int, shape (n,)
        In any order.
    read_at_d : array of float, shape (n,) [days since 1970-01-01 UTC]
        A day is one of UTC: a site's own would change with its time zone, and past answers with it.
    total_gal : array of float, shape (n,) [gal]
    young_from_d : array of int, shape (n,) [days since 1970-01-01 UTC]
        As ``first_young_day`` has it.

    Returns
    -------
    array of bool, shape (n,)
        At most six of a meter and day that has more than four. Of equal ones the first counts.
    """
    chosen = np.ones(len(read_at_d), dtype=np.bool_)
    day = np.floor(read_at_d).astype(np.int64)
    old = np.flatnonzero(day < young_from_d)
    rows = old[np.lexsort((read_at_d[old], meter_id[old]))]
    key = np.stack([meter_id[rows], day[rows]])
    begins = _begins(key)
    if not len(rows) or np.diff(np.append(begins, len(rows))).max() <= FEW:
        return chosen
    counts = np.diff(np.append(begins, len(rows)))
    group = np.repeat(np.arange(len(begins)), counts)
    is_many = counts > FEW
    total = total_gal[rows]
    picked = np.zeros(len(rows), dtype=np.bool_)
    picked[begins] = True
    picked[begins + counts - 1] = True
    picked[_first_by(group, total)[begins]] = True
    picked[_first_by(group, -total)[begins]] = True
    # Each reading's fall to the next of its day; the last of a day has none.
    fall = np.zeros(len(rows))
    fall[:-1] = np.where(group[1:] == group[:-1], total[:-1] - total[1:], 0.0)
    steepest = _first_by(group, -fall)[begins]
    steepest = steepest[fall[steepest] > 0]
    picked[steepest] = True
    picked[steepest + 1] = True
    chosen[rows] = picked | ~is_many[group]
    return chosen


def _begins(key: Any) -> Ints:
    """Return where each run of equal columns begins."""
    if not key.shape[1]:
        return np.zeros(0, dtype=np.int64)
    starts: Ints = np.flatnonzero(np.append(True, (key[:, 1:] != key[:, :-1]).any(axis=0)))
    return starts


def _first_by(group: Ints, value: Floats) -> Ints:
    """Return places in order of group and value; where a group begins stands its first smallest."""
    return np.lexsort((np.arange(len(group)), value, group))
