"""The review's lines by site: what each brings, what moved, what it earned, why it is at risk.

What the owner's review shows: recurring revenue by site, what moved it, what is ahead, what is at risk.
Revenue entries behind a number.
"""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from decimal import Decimal
from typing import Final, NamedTuple

import pandas as pd
from django.db.models import Count, Q, Sum

from fleet.models import Site
from scheduling.billing.bridge import (
    Bridge,
    MonthMoney,
    RowsOnDemand,
    months_of,
    standing_in,
    to_money,
    whole_bridge,
)
from scheduling.billing.risk import risk_counts
from scheduling.contracts.plan_columns import PlanTable, read_plans
from scheduling.models import RevenueEntry
from scheduling.money.recurring import Standing
from scheduling.money.recurring import bridge as move
from shared.money import to_cents
from shared.periods import add_months, month_start

SORTS: Final = ("recurring", "change", "earned", "risk", "site", "customer", "area")


class SiteMoney(NamedTuple):
    """One site's line."""

    site_pk: int
    site_name: str
    site_code: str
    customer: str
    area: str
    plans: int
    recurring_cents: int
    before_cents: int
    month_cents: int
    year_cents: int
    risks: list[str]

    @property
    def recurring(self) -> Decimal:
        """What its plans bring a month."""
        return to_money(self.recurring_cents)

    @property
    def recurring_before(self) -> Decimal:
        """What they brought the month before."""
        return to_money(self.before_cents)

    @property
    def change(self) -> Decimal:
        """Recurring revenue against the month before."""
        return to_money(self.recurring_cents - self.before_cents)

    @property
    def earned_month(self) -> Decimal:
        """What it earned in the month."""
        return to_money(self.month_cents)

    @property
    def earned_year(self) -> Decimal:
        """What it earned in the twelve months that end with it."""
        return to_money(self.year_cents)

    @property
    def risks_text(self) -> str:
        """Why its revenue is at risk, in words."""
        return ", ".join(self.risks)


@dataclass(frozen=True)
class ReviewChoice:
    """Which month and which sites, in which order."""

    month: date
    words: str = ""
    area: str = ""
    only_at_risk: bool = False
    sort: str = "-recurring"
    branch_id: int | None = None


def site_lines(
    choice: ReviewChoice, table: PlanTable, before: Standing, now: Standing, today: date
) -> list[SiteMoney]:
    """Return one line per site that has a plan or earned something within the year, sorted."""
    sums: dict[int, list[int]] = defaultdict(lambda: [0, 0, 0])
    rows = zip(table.words["site_id"].tolist(), now.cents.tolist(), before.cents.tolist(), strict=True)
    for site_id, cents, cents_before in rows:
        line = sums[site_id]
        line[0] += bool(cents)
        line[1] += cents
        line[2] += cents_before
    earned = _earned(month_start(choice.month), choice.branch_id)
    risks = _risks(today, choice.branch_id)
    nothing: list[str] = []
    lines = [
        SiteMoney(pk, name, code, customer, area, *sums[pk], *earned.get(pk, (0, 0)), risks.get(pk, nothing))
        for pk, name, code, customer, area in _sites(set(sums) | set(earned), choice.branch_id)
    ]
    return _sorted(lines, choice.sort)


def _earned(month: date, branch_id: int | None) -> dict[int, tuple[int, int]]:
    """Return what each site earned in the month and in the twelve months ending with it. [cent]"""
    found = RevenueEntry.objects.filter(month__range=(add_months(month, -11), month))
    if branch_id:
        found = found.filter(site__branch_id=branch_id)
    sums = found.values_list("site_id").annotate(now=Sum("amount", filter=Q(month=month)), year=Sum("amount"))
    # SQLite adds in floating point, so each sum is brought back to the cent.
    return {pk: (round((now or 0) * 100), round(year * 100)) for pk, now, year in sums.order_by()}


def _risks(today: date, branch_id: int | None) -> dict[int, list[str]]:
    """Return per site why its revenue is at risk, in words."""
    return {
        site_id: [f"{count} {word}" for word, count in counts.items() if count]
        for site_id, counts in risk_counts(today, branch_id).items()
    }


def _sites(site_ids: set[int], branch_id: int | None) -> list[tuple]:
    sites = Site.objects.filter(branch_id=branch_id) if branch_id else Site.objects.all()
    rows = sites.values_list("id", "name", "code", "customer__name", "area").order_by("name", "id")
    return [row for row in rows if row[0] in site_ids]


def is_chosen(line: SiteMoney, choice: ReviewChoice) -> bool:
    words = choice.words.strip().lower()
    if words and words not in f"{line.site_name} {line.site_code} {line.customer}".lower():
        return False
    if choice.area and line.area != choice.area:
        return False
    return bool(line.risks) or not choice.only_at_risk


def _sorted(rows: list[SiteMoney], sort: str) -> list[SiteMoney]:
    keys = {
        "recurring": lambda row: row.recurring_cents,
        "change": lambda row: row.recurring_cents - row.before_cents,
        "earned": lambda row: row.year_cents,
        "risk": lambda row: row.recurring_cents if row.risks else 0,
        "site": lambda row: row.site_name.lower(),
        "customer": lambda row: row.customer.lower(),
        "area": lambda row: row.area.lower(),
    }
    name = sort.removeprefix("-")
    return sorted(rows, key=keys.get(name, keys["recurring"]), reverse=sort.startswith("-"))


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


NOTHING: Final = Decimal("0.00")


@dataclass(frozen=True)
class EntryRow:
    """One revenue entry."""

    pk: int
    month: date
    kind_word: str
    site_name: str
    site_code: str
    plan_code: str
    serial: str
    text: str
    amount: Decimal
    corrects: int | None


@dataclass(frozen=True)
class EntryPage:
    """Entries behind a number and their sum."""

    rows: list[EntryRow]
    total: Decimal
    count: int
    page: int
    pages: int


def entries(
    *,
    month: date | None,
    since: date | None = None,
    site_code: str,
    kind: str,
    branch_id: int | None,
    page: int | None,
) -> EntryPage:
    """Return the entries behind a number; ``page=None`` returns all of them.

    With ``since``, months from it up to ``month``.
    """
    found = RevenueEntry.objects.all()
    if since:
        found = found.filter(month__gte=month_start(since))
    if month:
        found = found.filter(**{"month__lte" if since else "month": month_start(month)})
    if site_code:
        found = found.filter(site__code=site_code)
    if kind:
        found = found.filter(kind=kind)
    if branch_id:
        found = found.filter(site__branch_id=branch_id)
    sums = found.aggregate(total=Sum("amount"), count=Count("id"))
    pages = max(1, -(-sums["count"] // PAGE_SIZE))
    rows = found.select_related("site", "plan", "treatment_unit").order_by("-month", "-id")
    if page is not None:
        page = min(max(page, 1), pages)
        rows = rows[(page - 1) * PAGE_SIZE : page * PAGE_SIZE]
    return EntryPage(
        rows=[_entry_row(entry) for entry in rows],
        total=to_cents(sums["total"] or NOTHING),
        count=sums["count"],
        page=page or 1,
        pages=pages,
    )


def _entry_row(entry: RevenueEntry) -> EntryRow:
    return EntryRow(
        pk=entry.pk,
        month=entry.month,
        kind_word=entry.get_kind_display(),
        site_name=entry.site.name,
        site_code=entry.site.code,
        plan_code=entry.plan.code if entry.plan else "",
        serial=entry.treatment_unit.serial if entry.treatment_unit else "",
        text=entry.text,
        amount=entry.amount,
        corrects=entry.corrects_id,
    )
