"""What plans bring per month on a day, for all plans at once, in whole cents.

What moved recurring revenue between two days: a bridge that adds up exactly, in total and by any group.
Shares the drive of a route out over its stops, and cents over rows, so that the shares add up exactly.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fleet.science.columns import Floats

Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]

NEVER_D: Final = 2_932_896
"""31 Dec 9999 as days since 1970-01-01: the end of what goes on. [day]"""
WHOLE: Final = 10_000
"""A whole in hundredths of a percent."""


@dataclass(frozen=True)
class PlanColumns:
    """Plans with their dated prices and periods. Days are whole days since 1970-01-01."""

    plan_id: Ints
    months: Ints
    """How many months one price covers: 1, 3 or 12. [month]"""
    starts_d: Ints
    ends_d: Ints
    """First day not covered; ``NEVER_D`` when the plan goes on. [day]"""
    price_plan_row: Ints
    """Prices are sorted by plan row, then day."""
    price_from_d: Ints
    price_cents: Ints
    """Per interval, before tax. [cent]"""
    period_plan_row: Ints
    period_from_d: Ints
    period_to_d: Ints
    """First day after the period; ``NEVER_D`` when it goes on. [day]"""
    period_off: Ints
    """What it takes off, 1 to ``WHOLE``. [0.01 %]"""
    period_is_pause: Flags
    """A pause; otherwise a discount."""


@dataclass(frozen=True)
class Standing:
    """How each plan stands on a day, arrays of one row per plan."""

    cents: Ints
    """What it brings per month. [cent]"""
    is_in_force: Flags
    """The day lies between its start and its end, paused or not."""
    is_paused: Flags


def standing_on(plans: PlanColumns, day_d: int) -> Standing:
    """
    Return what every plan brings per month on a day.

    Parameters
    ----------
    plans : PlanColumns
        All plans, ended ones included.
    day_d : int
        The day. [day since 1970-01-01]

    Returns
    -------
    Standing
        A plan brings its price in force, less the discount of the day, over the months of its interval,
        rounded half up to the cent; nothing while paused, outside its term or before its first price.
        Of several discounts on one day the largest counts.
    """
    count = len(plans.plan_id)
    in_force = (plans.starts_d <= day_d) & (day_d < plans.ends_d)
    price = _price_on(plans, day_d)
    runs = (plans.period_from_d <= day_d) & (day_d < plans.period_to_d)
    off = np.zeros(count, dtype=np.int64)
    np.maximum.at(off, plans.period_plan_row[runs], plans.period_off[runs])
    paused = np.zeros(count, dtype=np.bool_)
    paused[plans.period_plan_row[runs & plans.period_is_pause]] = True
    whole = WHOLE * plans.months
    cents = (2 * price * (WHOLE - off) + whole) // (2 * whole)
    earns = in_force & ~paused
    return Standing(np.where(earns, cents, 0), in_force, in_force & paused)


def _price_on(plans: PlanColumns, day_d: int) -> Ints:
    """Return the price of each plan's interval in force on a day, 0 before the first. [cent]"""
    known = np.flatnonzero(plans.price_from_d <= day_d)
    newest = np.full(len(plans.plan_id), -1, dtype=np.int64)
    np.maximum.at(newest, plans.price_plan_row[known], known)
    if not len(plans.price_cents):
        return np.zeros(len(newest), dtype=np.int64)
    return np.where(newest >= 0, plans.price_cents[newest], 0)


MOVES: Final = ("new", "grown", "resumed", "shrunk", "paused", "lost")
"""Everything that can happen to a plan between two days, at most one of them to each plan."""


@dataclass(frozen=True)
class BridgeCents:
    """Start, moves and end of each group; ``start + all moves = end`` in every row. [cent]"""

    start: Ints
    moves: dict[str, Ints]
    """By the names in ``MOVES``; shrunk, paused and lost are 0 or below."""
    end: Ints


def bridge(before: Standing, after: Standing) -> BridgeCents:
    """
    Return what each plan brought before, what moved it, and what it brings after.

    Parameters
    ----------
    before : Standing
        The plans on the earlier day.
    after : Standing
        The same plans on the later day.

    Returns
    -------
    BridgeCents
        One row per plan. *New*: in force now and not before. *Lost*: in force before and not now. *Paused*
        and *resumed*: in force on both days, paused on one. *Grown* and *shrunk*: the rest, by price or
        discount. A plan that ends while paused moves nothing that month: what it brought left with the
        pause.
    """
    change = after.cents - before.cents
    is_new = ~before.is_in_force & after.is_in_force
    is_lost = before.is_in_force & ~after.is_in_force
    goes_on = before.is_in_force & after.is_in_force
    is_paused = goes_on & ~before.is_paused & after.is_paused
    is_resumed = goes_on & before.is_paused & ~after.is_paused
    rest = goes_on & ~is_paused & ~is_resumed
    which = {
        "new": is_new,
        "grown": rest & (change > 0),
        "resumed": is_resumed,
        "shrunk": rest & (change < 0),
        "paused": is_paused,
        "lost": is_lost,
    }
    moves = {name: np.where(rows, change, 0) for name, rows in which.items()}
    return BridgeCents(before.cents, moves, after.cents)


def grouped(one_by_one: BridgeCents, group_row: Ints, groups: int) -> BridgeCents:
    """
    Return the bridge of groups of plans.

    Parameters
    ----------
    one_by_one : BridgeCents
        One row per plan.
    group_row : array (plans,)
        Group each plan belongs to, 0 to ``groups - 1``.
    groups : int
        How many groups.

    Returns
    -------
    BridgeCents
        One row per group: the sum of its plans', so the groups add up to the total in every column.
    """
    return BridgeCents(
        _sums(one_by_one.start, group_row, groups),
        {name: _sums(cents, group_row, groups) for name, cents in one_by_one.moves.items()},
        _sums(one_by_one.end, group_row, groups),
    )


def _sums(cents: Ints, group_row: Ints, groups: int) -> Ints:
    sums = np.zeros(groups, dtype=np.int64)
    np.add.at(sums, group_row, cents)
    return sums


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
