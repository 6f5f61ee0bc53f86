"""The owner's bridge: what recurring revenue was, what moved it, what it is, in total and by any group."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any, Final, overload

import numpy as np
import pandas as pd
from django.db.models import Sum
from django.utils.translation import gettext

from scheduling.contracts.plan_columns import ALL, PlanTable, Within, day_number, of_branch, read_plans
from scheduling.models import RevenueEntry
from scheduling.money.recurring import MOVES, BridgeCents, Standing, bridge, grouped, standing_on
from shared.money import to_cents
from shared.periods import add_months, month_start

ROWS_AT_ONCE: Final = 1000


class FrameRows(Sequence[dict[str, Any]]):
    """A frame's rows as dicts, made when looked at: a page shows fifty of a hundred thousand.

    Columns named in ``money`` hold whole cents and come out as amounts.
    """

    def __init__(self, frame: pd.DataFrame, *money: str) -> None:
        self._frame, self._money = frame, money

    def __len__(self) -> int:
        return len(self._frame)

    def __iter__(self) -> Iterator[dict[str, Any]]:
        for start in range(0, len(self), ROWS_AT_ONCE):
            yield from self[start : start + ROWS_AT_ONCE]

    @overload
    def __getitem__(self, place: int) -> dict[str, Any]: ...

    @overload
    def __getitem__(self, place: slice) -> list[dict[str, Any]]: ...

    def __getitem__(self, place: int | slice) -> dict[str, Any] | list[dict[str, Any]]:
        if isinstance(place, int):
            first = range(len(self))[place]
            return self[first : first + 1][0]
        rows = self._frame.iloc[place].to_dict("records")
        return [row | {name: to_money(row[name]) for name in self._money} for row in rows]


GROUPS: Final = {
    "site": ("site", "site_name"),
    "customer": ("customer", "customer_name"),
    "area": ("area", "area"),
    "plan": ("plan", "plan_name"),
}
"""What the bridge can be cut by: the key and the name of each group in the plans' words."""
MONTHS_SHOWN: Final = 36
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
class BridgeReview:
    """The owner's page."""

    month: date
    by: str
    total: Bridge
    rows: FrameRows
    """Groups that brought something or moved, those that moved most first: ``key``, ``name`` and the amounts
    of ``Bridge``."""
    months: list[MonthMoney]
    renewals: FrameRows
    """Coming months in which terms of plans in force end."""


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


def standing_in(table: PlanTable, month: date, today: date) -> Standing:
    """Return how plans stand on a month's last day, or today within it."""
    last = add_months(month, 1) - timedelta(days=1)
    return standing_on(table.columns, day_number(min(last, today) if month_start(today) == month else last))


def whole_bridge(one_by_one: BridgeCents) -> Bridge:
    """Return what moved recurring revenue of all plans together."""
    amounts = (one_by_one.start, *(one_by_one.moves[move] for move in MOVES), one_by_one.end)
    return Bridge("", gettext("All"), *(to_money(cents.sum()) for cents in amounts))


def to_money(cents: int) -> Decimal:
    """Return whole cents as an amount."""
    return Decimal(int(cents)).scaleb(-2)


def _by_group(table: PlanTable, one_by_one: BridgeCents, by: str) -> FrameRows:
    key, name = GROUPS[by]
    rows, keys = pd.factorize(table.words[key])
    sums = grouped(one_by_one, rows.astype(np.int64), len(keys))
    cents = pd.DataFrame({"start": sums.start, **sums.moves, "end": sums.end})
    moved = cents[[*MOVES]].abs().sum(axis=1)
    cents.insert(0, "key", keys)
    cents.insert(1, "name", table.words.drop_duplicates(key)[name].tolist())
    shown = cents.assign(moved=moved)[(cents["start"] != 0) | (cents["end"] != 0) | (moved != 0)]
    order = shown.sort_values(["moved", "end"], ascending=False, kind="stable")
    return FrameRows(order, "start", *MOVES, "end")


def months_of(
    table: PlanTable, month: date, count: int, today: date, branch_id: int | None, within: Within = ALL
) -> list[MonthMoney]:
    """Return recurring and earned revenue of the months up to one, the oldest first. One query."""
    first = add_months(month, 1 - count)
    found = RevenueEntry.objects.filter(month__range=(first, month), **within.of_sites("site"))
    if within.renews:
        found = found.filter(**within.of_plans("plan__"))
    found = of_branch(found, "site", branch_id)
    earned = dict(found.values_list("month").annotate(total=Sum("amount")).order_by())
    return [
        MonthMoney(
            one, to_money(standing_in(table, one, today).cents.sum()), to_cents(earned.get(one, Decimal(0)))
        )
        for one in (add_months(first, i) for i in range(count))
    ]


def renewing(table: PlanTable, now: Standing, today: date, until: date) -> pd.DataFrame:
    """Return plans in force whose term ends from today on before a day, the soonest first.

    Columns are those of the plans' words with ``monthly`` [cent], ``notice_by`` and ``is_notice_over``.
    """
    dates = zip(table.words["renews_on"], now.is_in_force.tolist(), strict=True)
    is_soon = [bool(in_force and day and today <= day < until) for day, in_force in dates]
    soon = table.words.assign(monthly=now.cents)[np.array(is_soon, dtype=bool)].sort_values(
        ["renews_on", "plan"]
    )
    rows = zip(soon["renews_on"], soon["notice_days"], strict=True)
    soon["notice_by"] = [day - timedelta(days=int(notice)) for day, notice in rows]
    soon["is_notice_over"] = [day < today for day in soon["notice_by"]]
    return soon


def _renewals(table: PlanTable, now: Standing, today: date) -> FrameRows:
    soon = renewing(table, now, today, add_months(month_start(today), RENEWAL_MONTHS))
    by_month = soon.groupby([month_start(day) for day in soon["renews_on"]])
    sums = by_month.agg(
        plans=("plan", "size"), monthly=("monthly", "sum"), notice_over=("is_notice_over", "sum")
    )
    return FrameRows(sums.rename_axis("month").reset_index(), "monthly")
