"""The review's lines by site: what each brings, what moved, what it earned, why it is at risk."""

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal
from typing import Final

from django.db.models import Q, Sum

from fleet.models import Site
from scheduling.models import RevenueEntry
from scheduling.money.recurring import Standing
from scheduling.queries.bridge import to_money
from scheduling.queries.plan_columns import PlanTable
from scheduling.queries.revenue_risk import risk_counts
from shared.money import to_cents
from shared.periods import add_months, month_start

NOTHING: Final = Decimal("0.00")
SORTS: Final = ("recurring", "change", "earned", "risk", "site", "customer", "area")


@dataclass(frozen=True)
class SiteMoney:
    """One site's line."""

    site_pk: int
    site_name: str
    site_code: str
    customer: str
    area: str
    plans: int
    recurring: Decimal
    recurring_before: Decimal
    earned_month: Decimal
    earned_year: Decimal
    risks: list[str] = field(default_factory=list)

    @property
    def change(self) -> Decimal:
        """Recurring revenue against the month before."""
        return self.recurring - self.recurring_before

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
    lines = []
    for site in _sites(set(sums) | set(earned), choice.branch_id):
        plans, cents, cents_before = sums[site["id"]]
        month_sum, year_sum = earned.get(site["id"], (NOTHING, NOTHING))
        lines.append(
            SiteMoney(
                site_pk=site["id"],
                site_name=site["name"],
                site_code=site["code"],
                customer=site["customer__name"],
                area=site["area"],
                plans=plans,
                recurring=to_money(cents),
                recurring_before=to_money(cents_before),
                earned_month=month_sum,
                earned_year=year_sum,
                risks=risks.get(site["id"], []),
            )
        )
    return _sorted(lines, choice.sort)


def _earned(month: date, branch_id: int | None) -> dict[int, tuple[Decimal, Decimal]]:
    """Return what each site earned in the month and in the twelve months ending with it."""
    found = RevenueEntry.objects.filter(month__range=(add_months(month, -11), month))
    if branch_id:
        found = found.filter(site__branch_id=branch_id)
    sums = found.values("site_id").annotate(year=Sum("amount"), now=Sum("amount", filter=Q(month=month)))
    # SQLite adds in floating point, so each sum is brought back to the cent.
    return {
        row["site_id"]: (to_cents(row["now"] or NOTHING), to_cents(row["year"])) for row in sums.order_by()
    }


def _risks(today: date, branch_id: int | None) -> dict[int, list[str]]:
    """Return per site why its revenue is at risk, in words."""
    return {
        site_id: [f"{count} {word}" for word, count in counts.items() if count]
        for site_id, counts in risk_counts(today, branch_id).items()
    }


def _sites(site_ids: set[int], branch_id: int | None) -> list[dict]:
    sites = Site.objects.filter(branch_id=branch_id) if branch_id else Site.objects.all()
    rows = sites.values("id", "name", "code", "area", "customer__name").order_by("name", "id")
    return [row for row in rows if row["id"] in site_ids]


def is_chosen(line: SiteMoney, choice: ReviewChoice) -> bool:
    words = choice.words.strip().lower()
    if words and words not in f"{line.site_name} {line.site_code} {line.customer}".lower():
        return False
    if choice.area and line.area != choice.area:
        return False
    return bool(line.risks) or not choice.only_at_risk


def _sorted(rows: list[SiteMoney], sort: str) -> list[SiteMoney]:
    keys = {
        "recurring": lambda row: row.recurring,
        "change": lambda row: row.change,
        "earned": lambda row: row.earned_year,
        "risk": lambda row: row.recurring if row.risks else NOTHING,
        "site": lambda row: row.site_name.lower(),
        "customer": lambda row: row.customer.lower(),
        "area": lambda row: row.area.lower(),
    }
    name = sort.removeprefix("-")
    return sorted(rows, key=keys.get(name, keys["recurring"]), reverse=sort.startswith("-"))
