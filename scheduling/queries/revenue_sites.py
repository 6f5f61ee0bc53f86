"""The review's lines by site: what each brings, what moved, what it earned, why it is at risk."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Final, NamedTuple

from django.db.models import Q, Sum

from fleet.models import Site
from scheduling.models import RevenueEntry
from scheduling.money.recurring import Standing
from scheduling.queries.bridge import to_money
from scheduling.queries.plan_columns import PlanTable
from scheduling.queries.revenue_risk import risk_counts
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
