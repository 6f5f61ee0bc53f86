"""What moved recurring revenue between two days: a bridge that adds up exactly, in total and by any group."""

from dataclasses import dataclass
from typing import Final

import numpy as np

from scheduling.money.recurring import Ints, Standing

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
