"""What the owner's review shows: recurring revenue by site, what moved it, what is ahead, what is at risk."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Final

import pandas as pd

from scheduling.money.bridge import bridge as move
from scheduling.money.recurring import Standing
from scheduling.queries.bridge import Bridge, MonthMoney, months_of, standing_in, to_money, whole_bridge
from scheduling.queries.plan_columns import PlanTable, read_plans
from scheduling.queries.revenue_sites import ReviewChoice, SiteMoney, is_chosen, site_lines
from scheduling.queries.rows_on_demand import RowsOnDemand
from shared.periods import add_months, month_start

MONTHS_SHOWN: Final = 13
RENEWAL_DAYS: Final = 120
PAGE_SIZE: Final = 50
RENEWALS_SHOWN: Final = 50
"""The page shows so many, the file all."""


@dataclass(frozen=True)
class Renewal:
    """A plan whose term ends soon."""

    plan_code: str
    plan_name: str
    site_name: str
    site_code: str
    renews_on: date
    notice_by: date
    monthly: Decimal
    is_notice_over: bool


@dataclass(frozen=True)
class Review:
    """The owner's page."""

    month: date
    months: list[MonthMoney]
    bridge: Bridge
    sites: list[SiteMoney]
    site_total: int
    page: int
    pages: int
    renewals: Sequence[Renewal]
    at_risk: Decimal
    at_risk_sites: int
    earned: Decimal
    earned_year: Decimal

    @property
    def monthly(self) -> Decimal:
        """Monthly recurring revenue."""
        return self.bridge.end

    @property
    def moved(self) -> Decimal:
        """Recurring revenue against the month before."""
        return self.bridge.end - self.bridge.start

    @property
    def year_from(self) -> date:
        """First of the twelve months that end with this one."""
        return add_months(self.month, -11)

    @property
    def yearly(self) -> Decimal:
        """Twelve times the monthly."""
        return self.bridge.end * 12


def review(choice: ReviewChoice, *, today: date, page: int) -> Review:
    """Return the review of a month. Eight queries, however many sites.

    Recurring revenue of a month is what the plans in force on its last day bring per month (today, for
    the month under way).
    """
    table = read_plans(choice.branch_id)
    month = month_start(choice.month)
    before, now = standing_in(table, add_months(month, -1), today), standing_in(table, month, today)
    lines = site_lines(choice, table, before, now, today)
    shown = [line for line in lines if is_chosen(line, choice)]
    pages = max(1, -(-len(shown) // PAGE_SIZE))
    page = min(max(page, 1), pages)
    risky = [line.recurring_cents for line in lines if line.risks and line.recurring_cents]
    return Review(
        month=month,
        months=months_of(table, month, MONTHS_SHOWN, today, choice.branch_id),
        bridge=whole_bridge(move(before, now)),
        sites=shown[(page - 1) * PAGE_SIZE : page * PAGE_SIZE],
        site_total=len(shown),
        page=page,
        pages=pages,
        renewals=_renewals(table, now, today),
        at_risk=to_money(sum(risky)),
        at_risk_sites=len(risky),
        earned=to_money(sum(line.month_cents for line in lines)),
        earned_year=to_money(sum(line.year_cents for line in lines)),
    )


def every_site(choice: ReviewChoice, today: date) -> list[SiteMoney]:
    """Return all chosen lines for a download."""
    table = read_plans(choice.branch_id)
    month = month_start(choice.month)
    before, now = standing_in(table, add_months(month, -1), today), standing_in(table, month, today)
    return [line for line in site_lines(choice, table, before, now, today) if is_chosen(line, choice)]


def _renewals(table: PlanTable, now: Standing, today: date) -> RowsOnDemand[Renewal]:
    """Return plans in force whose term ends soon, the soonest first."""
    last = today + timedelta(days=RENEWAL_DAYS)
    words = table.words
    dates = zip(words["renews_on"], words["plan"], now.is_in_force.tolist(), strict=True)
    soon = [
        (renews_on, code, i)
        for i, (renews_on, code, is_in_force) in enumerate(dates)
        if is_in_force and renews_on and today <= renews_on <= last
    ]
    soon.sort()
    return RowsOnDemand(len(soon), lambda i: _renewal(words.iloc[soon[i][2]], now.cents[soon[i][2]], today))


def _renewal(plan: pd.Series, cents: int, today: date) -> Renewal:
    notice_by = plan["renews_on"] - timedelta(days=int(plan["notice_days"]))
    return Renewal(
        plan_code=plan["plan"],
        plan_name=plan["plan_name"],
        site_name=plan["site_name"],
        site_code=plan["site"],
        renews_on=plan["renews_on"],
        notice_by=notice_by,
        monthly=to_money(cents),
        is_notice_over=notice_by < today,
    )
