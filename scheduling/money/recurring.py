"""What plans bring per month on a day, for all plans at once, in whole cents."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

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
