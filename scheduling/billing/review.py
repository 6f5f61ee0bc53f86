"""What the owner's review shows: recurring revenue by site, what moved it, what is ahead, what is at risk.

Revenue entries behind a number.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Any, Final

import numpy as np
import pandas as pd
from django.db.models import Count, Q, QuerySet, Sum

from fleet.models import Site
from scheduling.billing.bridge import (
    Bridge,
    FrameRows,
    MonthMoney,
    months_of,
    renewing,
    standing_in,
    to_money,
    whole_bridge,
)
from scheduling.billing.risk import risk_counts
from scheduling.contracts.plan_columns import PlanTable, of_branch, read_plans
from scheduling.models import RevenueEntry
from scheduling.money.recurring import Standing
from scheduling.money.recurring import bridge as move
from shared.money import to_cents
from shared.periods import add_months, month_start

SORTS: Final = ("recurring", "change", "earned", "risk", "site", "customer", "area")
MONTHS_SHOWN: Final = 13
RENEWAL_DAYS: Final = 120
RENEWALS_SHOWN: Final = 50
"""The page shows so many, the file all."""


@dataclass(frozen=True)
class ReviewChoice:
    """Which month and which sites, in which order."""

    month: date
    words: str = ""
    area: str = ""
    only_at_risk: bool = False
    sort: str = "-recurring"
    branch_id: int | None = None


@dataclass(frozen=True)
class Review:
    """The owner's page."""

    month: date
    months: list[MonthMoney]
    bridge: Bridge
    sites: FrameRows
    """Those chosen, in order."""
    renewals: FrameRows
    at_risk: Decimal
    at_risk_sites: int
    earned: Decimal
    earned_year: Decimal

    @property
    def year_from(self) -> date:
        """First of the twelve months that end with this one."""
        return add_months(self.month, -11)


def review(choice: ReviewChoice, *, today: date) -> Review:
    """Return the review of a month. Eight queries, however many sites.

    Recurring revenue of a month is what the plans in force on its last day bring per month (today, for
    the month under way).
    """
    table = read_plans(choice.branch_id)
    month = month_start(choice.month)
    before, now = standing_in(table, add_months(month, -1), today), standing_in(table, month, today)
    lines = _site_lines(choice, table, before, now, today)
    risky = lines[(lines["risks"] != "") & (lines["recurring"] != 0)]
    return Review(
        month=month,
        months=months_of(table, month, MONTHS_SHOWN, today, choice.branch_id),
        bridge=whole_bridge(move(before, now)),
        sites=FrameRows(
            _chosen(lines, choice), "recurring", "recurring_before", "change", "earned_month", "earned_year"
        ),
        renewals=FrameRows(renewing(table, now, today, today + timedelta(days=RENEWAL_DAYS + 1)), "monthly"),
        at_risk=to_money(risky["recurring"].sum()),
        at_risk_sites=len(risky),
        earned=to_money(lines["earned_month"].sum()),
        earned_year=to_money(lines["earned_year"].sum()),
    )


def _site_lines(
    choice: ReviewChoice, table: PlanTable, before: Standing, now: Standing, today: date
) -> pd.DataFrame:
    """Return one row per site that has a plan or earned something within the year, amounts in cents."""
    brought = pd.DataFrame({
        "site_id": table.words["site_id"].to_numpy(dtype=np.int64),
        "plans": (now.cents != 0).astype(np.int64),
        "recurring": now.cents, "recurring_before": before.cents,
    }).groupby("site_id").sum()  # fmt: skip
    month = month_start(choice.month)
    entries = RevenueEntry.objects.filter(month__range=(add_months(month, -11), month))
    sums = of_branch(entries, "site", choice.branch_id).values_list("site_id").order_by()
    # SQLite adds in floating point, so each sum is brought back to the cent.
    earned = pd.DataFrame(
        [
            (pk, round((now or 0) * 100), round(year * 100))
            for pk, now, year in sums.annotate(now=Sum("amount", filter=Q(month=month)), year=Sum("amount"))
        ],
        columns=["site_id", "earned_month", "earned_year"],
        dtype=np.int64,
    ).set_index("site_id")
    sites = Site.objects.filter(branch_id=choice.branch_id) if choice.branch_id else Site.objects.all()
    words = pd.DataFrame(
        list(sites.values_list("pk", "name", "code", "customer__name", "area").order_by("name", "pk")),
        columns=["pk", "site_name", "site_code", "customer", "area"],
    ).set_index("pk")
    words = words[words.index.isin(brought.index.union(earned.index))]
    cents = pd.concat([brought, earned], axis=1).reindex(words.index).fillna(0).astype(np.int64)
    risks = risk_counts(today, choice.branch_id)
    return words.join(cents).assign(
        change=cents["recurring"] - cents["recurring_before"],
        risks=[
            ", ".join(f"{count} {word}" for word, count in risks.get(pk, {}).items() if count)
            for pk in words.index
        ],
    )


def _chosen(lines: pd.DataFrame, choice: ReviewChoice) -> pd.DataFrame:
    """Return the lines asked for, sorted."""
    shown = lines
    if words := choice.words.strip().lower():
        text = shown["site_name"] + " " + shown["site_code"] + " " + shown["customer"]
        shown = shown[text.str.lower().str.contains(words, regex=False)]
    if choice.area:
        shown = shown[shown["area"] == choice.area]
    if choice.only_at_risk:
        shown = shown[shown["risks"] != ""]
    keys = {
        "change": shown["change"],
        "earned": shown["earned_year"],
        "risk": shown["recurring"].where(shown["risks"] != "", 0),
        "site": shown["site_name"].str.lower(),
        "customer": shown["customer"].str.lower(),
        "area": shown["area"].str.lower(),
    }
    key = keys.get(choice.sort.removeprefix("-"), shown["recurring"])
    return shown.loc[key.sort_values(ascending=not choice.sort.startswith("-"), kind="stable").index]


def entries(
    *, month: date | None, since: date | None = None, site_code: str, kind: str, branch_id: int | None
) -> tuple[QuerySet[RevenueEntry], dict[str, Any]]:
    """Return the entries behind a number, the newest first, with their ``count`` and ``total``.

    With ``since``, months from it up to ``month``.
    """
    rows = of_branch(RevenueEntry.objects.select_related("site", "plan", "treatment_unit"), "site", branch_id)
    if since:
        rows = rows.filter(month__gte=month_start(since))
    if month:
        rows = rows.filter(**{"month__lte" if since else "month": month_start(month)})
    if site_code:
        rows = rows.filter(site__code=site_code)
    if kind:
        rows = rows.filter(kind=kind)
    sums = rows.aggregate(total=Sum("amount"), count=Count("id"))
    return rows.order_by("-month", "-id"), {**sums, "total": to_cents(sums["total"] or Decimal("0.00"))}
