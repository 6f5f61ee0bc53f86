"""Rows that are made when somebody looks at them: a page shows fifty of a hundred thousand.

The owner's bridge: what recurring revenue was, what moved it, what it is, in total and by any group.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Final, Generic, TypeVar, overload

import numpy as np
import pandas as pd
from django.db.models import Sum
from django.utils.translation import gettext

from scheduling.contracts.plan_columns import ALL, PlanTable, Within, day_number, read_plans
from scheduling.models import RevenueEntry
from scheduling.money.recurring import MOVES, BridgeCents, Standing, bridge, grouped, standing_on
from shared.money import to_cents
from shared.periods import add_months, month_start

Row = TypeVar("Row")


class RowsOnDemand(Sequence[Row], Generic[Row]):
    """A list of known length whose rows are made one by one, from columns that are there already."""

    def __init__(self, count: int, make: Callable[[int], Row]) -> None:
        self._range, self._make = range(count), make

    def __len__(self) -> int:
        return len(self._range)

    @overload
    def __getitem__(self, place: int) -> Row: ...

    @overload
    def __getitem__(self, place: slice) -> list[Row]: ...

    def __getitem__(self, place: int | slice) -> Row | list[Row]:
        if isinstance(place, slice):
            return [self._make(i) for i in self._range[place]]
        return self._make(self._range[place])


GROUPS: Final = {
    "site": ("site", "site_name"),
    "customer": ("customer", "customer_name"),
    "area": ("area", "area"),
    "plan": ("plan", "plan_name"),
}
"""What the bridge can be cut by: the key and the name of each group in the plans' words."""
MONTHS_SHOWN: Final = 36
PAGE_SIZE: Final = 50
RENEWAL_MONTHS: Final = 12
WORDS: Final = {name: name.capitalize() for name in MOVES}


@dataclass(frozen=True)
class Bridge:
    """What moved recurring revenue from one month's end to the next; adds up to the cent."""

    key: str
    name: str
    start: Decimal
    new: Decimal
    grown: Decimal
    resumed: Decimal
    shrunk: Decimal
    paused: Decimal
    lost: Decimal
    end: Decimal

    @property
    def steps(self) -> list[tuple[str, Decimal]]:
        """Return the moves in words."""
        return [(gettext(word), getattr(self, name)) for name, word in WORDS.items()]

    @property
    def change(self) -> Decimal:
        """End less start."""
        return self.end - self.start

    @property
    def yearly(self) -> Decimal:
        """Annual recurring revenue: twelve times the monthly."""
        return self.end * 12


@dataclass(frozen=True)
class MonthMoney:
    """One month's figures."""

    month: date
    recurring: Decimal
    earned: Decimal


@dataclass(frozen=True)
class RenewalMonth:
    """Plans whose term ends in a month, and what they bring."""

    month: date
    plans: int
    monthly: Decimal
    notice_over: int
    """How many of them can't be given notice any more."""


@dataclass(frozen=True)
class BridgeReview:
    """The owner's page."""

    month: date
    by: str
    total: Bridge
    rows: Sequence[Bridge]
    """Groups that brought something or moved, by how much they moved, the largest first."""
    months: list[MonthMoney]
    renewals: list[RenewalMonth]


def bridge_review(
    *, month: date, by: str, branch_id: int | None, today: date, within: Within = ALL
) -> BridgeReview:
    """Return a month's bridge by site, customer, area or plan. Four queries, however many sites.

    Recurring revenue of a month is what plans bring per month on its last day; today, in the month under way.
    """
    table = read_plans(branch_id, within)
    month = month_start(month)
    after = standing_in(table, month, today)
    one_by_one = bridge(standing_in(table, add_months(month, -1), today), after)
    return BridgeReview(
        month=month,
        by=by,
        total=whole_bridge(one_by_one),
        rows=_by_group(table, one_by_one, by),
        months=months_of(table, month, MONTHS_SHOWN, today, branch_id, within),
        renewals=_renewals(table, after, today),
    )


def as_of(month: date, today: date) -> date:
    """Return the day a month's recurring revenue is taken on: its last, or today within it."""
    last = add_months(month, 1) - timedelta(days=1)
    return min(last, today) if month_start(today) == month else last


def standing_in(table: PlanTable, month: date, today: date) -> Standing:
    """Return how plans stand on the day a month's recurring revenue is taken on."""
    return standing_on(table.columns, day_number(as_of(month, today)))


def whole_bridge(one_by_one: BridgeCents) -> Bridge:
    """Return what moved recurring revenue of all plans together."""
    everything = grouped(one_by_one, np.zeros(len(one_by_one.start), dtype=np.int64), 1)
    return _bridge_of(everything, 0, "", gettext("All"))


def to_money(cents: int) -> Decimal:
    """Return whole cents as an amount."""
    return Decimal(int(cents)).scaleb(-2)


def _by_group(table: PlanTable, one_by_one: BridgeCents, by: str) -> Sequence[Bridge]:
    key, name = GROUPS[by]
    rows, keys = pd.factorize(table.words[key])
    names = table.words.drop_duplicates(key)[name].tolist()
    sums = grouped(one_by_one, rows.astype(np.int64), len(keys))
    moved = sum(np.abs(cents) for cents in sums.moves.values())
    shown = np.flatnonzero((sums.start != 0) | (sums.end != 0) | (np.asarray(moved) != 0))
    order = shown[np.lexsort((-sums.end[shown], -np.asarray(moved)[shown]))] if len(shown) else shown
    return RowsOnDemand(len(order), lambda i: _bridge_of(sums, order[i], keys[order[i]], names[order[i]]))


def _bridge_of(cents: BridgeCents, row: int, key: str, name: str) -> Bridge:
    amounts = (cents.start, *(cents.moves[move] for move in MOVES), cents.end)
    return Bridge(key, name, *(to_money(amount[row]) for amount in amounts))


def months_of(
    table: PlanTable, month: date, count: int, today: date, branch_id: int | None, within: Within = ALL
) -> list[MonthMoney]:
    """Return recurring and earned revenue of the months up to one, the oldest first. One query."""
    first = add_months(month, 1 - count)
    found = RevenueEntry.objects.filter(month__range=(first, month), **within.of_sites("site"))
    if within.renews:
        found = found.filter(**within.of_plans("plan__"))
    if branch_id:
        found = found.filter(site__branch_id=branch_id)
    earned = dict(found.values_list("month").annotate(total=Sum("amount")).order_by())
    return [
        MonthMoney(
            one, to_money(standing_in(table, one, today).cents.sum()), to_cents(earned.get(one, Decimal(0)))
        )
        for one in (add_months(first, i) for i in range(count))
    ]


def _renewals(table: PlanTable, now: Standing, today: date) -> list[RenewalMonth]:
    """Return the coming months in which terms of plans in force end."""
    first = month_start(today)
    last = add_months(first, RENEWAL_MONTHS)
    found: dict[date, list[int]] = {}
    words = table.words
    rows = zip(words["renews_on"], words["notice_days"], now.cents.tolist(), now.is_in_force, strict=True)
    for renews_on, notice_days, cents, is_in_force in rows:
        if is_in_force and renews_on and today <= renews_on < last:
            sums = found.setdefault(month_start(renews_on), [0, 0, 0])
            sums[0] += 1
            sums[1] += cents
            sums[2] += renews_on - timedelta(days=int(notice_days)) < today
    return [
        RenewalMonth(month, plans, to_money(cents), over)
        for month, (plans, cents, over) in sorted(found.items())
    ]
