"""What the owner's review shows: recurring revenue by site, what moved it, what is ahead, what is at risk."""

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from typing import Final

import numpy as np
from django.db.models import Count, Q, Sum

from fleet.models import Site, UnitState
from scheduling.models import RAISED_KINDS, RevenueEntry, WorkOrder
from scheduling.money import bridge as arithmetic
from scheduling.money.recurring import Standing, standing_on
from scheduling.queries.bridge import Bridge, MonthMoney, as_of, to_money
from scheduling.queries.plan_columns import PlanTable, day_number, read_plans
from scheduling.queries.revenue_risk import UNREADY
from shared.money import to_cents
from shared.periods import add_months, month_start

NOTHING: Final = Decimal("0.00")
MONTHS_SHOWN: Final = 13
RENEWAL_DAYS: Final = 120
PAGE_SIZE: Final = 50
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
    renewals: list[Renewal]
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
    def yearly(self) -> Decimal:
        """Twelve times the monthly."""
        return self.bridge.end * 12


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


def review(choice: ReviewChoice, *, today: date, page: int) -> Review:
    """Return the review of a month. Eight queries, however many sites.

    Recurring revenue of a month is what the plans in force on its last day bring per month (today, for
    the month under way).
    """
    table = read_plans(choice.branch_id)
    month = month_start(choice.month)
    before, now = _standing(table, add_months(month, -1), today), _standing(table, month, today)
    lines = _site_lines(choice, table, before, now, today)
    shown = [line for line in lines if _is_chosen(line, choice)]
    pages = max(1, -(-len(shown) // PAGE_SIZE))
    page = min(max(page, 1), pages)
    risky = [line for line in lines if line.risks and line.recurring]
    return Review(
        month=month,
        months=_months(table, month, today, choice.branch_id),
        bridge=whole_bridge(before, now),
        sites=shown[(page - 1) * PAGE_SIZE : page * PAGE_SIZE],
        site_total=len(shown),
        page=page,
        pages=pages,
        renewals=_renewals(table, now, today),
        at_risk=sum((line.recurring for line in risky), NOTHING),
        at_risk_sites=len(risky),
        earned=sum((line.earned_month for line in lines), NOTHING),
        earned_year=sum((line.earned_year for line in lines), NOTHING),
    )


def every_site(choice: ReviewChoice, today: date) -> list[SiteMoney]:
    """Return all chosen lines for a download."""
    table = read_plans(choice.branch_id)
    month = month_start(choice.month)
    before, now = _standing(table, add_months(month, -1), today), _standing(table, month, today)
    return [line for line in _site_lines(choice, table, before, now, today) if _is_chosen(line, choice)]


def whole_bridge(before: Standing, now: Standing) -> Bridge:
    """Return what moved recurring revenue of all plans together."""
    one_by_one = arithmetic.bridge(before, now)
    total = arithmetic.grouped(one_by_one, np.zeros(len(now.cents), dtype=np.int64), 1)
    moves = {name: to_money(cents[0]) for name, cents in total.moves.items()}
    return Bridge("", "All", start=to_money(total.start[0]), end=to_money(total.end[0]), **moves)


def entries(
    *, month: date | None, site_code: str, kind: str, branch_id: int | None, page: int | None
) -> EntryPage:
    """Return the entries behind a number; ``page=None`` returns all of them."""
    found = RevenueEntry.objects.all()
    if month:
        found = found.filter(month=month_start(month))
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


def _standing(table: PlanTable, month: date, today: date) -> Standing:
    return standing_on(table.columns, day_number(as_of(month, today)))


def _site_lines(
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


def _months(table: PlanTable, month: date, today: date, branch_id: int | None) -> list[MonthMoney]:
    first = add_months(month, 1 - MONTHS_SHOWN)
    found = RevenueEntry.objects.filter(month__range=(first, month))
    if branch_id:
        found = found.filter(site__branch_id=branch_id)
    earned = dict(found.values_list("month").annotate(total=Sum("amount")).order_by())
    months = [add_months(first, i) for i in range(MONTHS_SHOWN)]
    return [
        MonthMoney(
            month=one,
            recurring=to_money(_standing(table, one, today).cents.sum()),
            earned=to_cents(earned.get(one, NOTHING)),
        )
        for one in months
    ]


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
    """Return per site why its revenue is at risk: work overdue, units unready or decaying."""
    late = WorkOrder.objects.standing().filter(kind__in=RAISED_KINDS, window_to__lt=today)
    states = UnitState.objects.filter(Q(readiness__in=UNREADY) | Q(is_decaying=True))
    if branch_id:
        late = late.filter(site__branch_id=branch_id)
        states = states.filter(treatment_unit__site__branch_id=branch_id)
    risks: dict[int, list[str]] = defaultdict(list)
    for site_id, count in late.values_list("site_id").annotate(count=Count("id")).order_by():
        risks[site_id].append(f"{count} overdue")
    counted = states.values("treatment_unit__site_id").annotate(
        unready=Count("pk", filter=Q(readiness__in=UNREADY)), decaying=Count("pk", filter=Q(is_decaying=True))
    )
    for row in counted.order_by():
        for word in ("unready", "decaying"):
            if row[word]:
                risks[row["treatment_unit__site_id"]].append(f"{row[word]} {word}")
    return risks


def _sites(site_ids: set[int], branch_id: int | None) -> list[dict]:
    sites = Site.objects.filter(branch_id=branch_id) if branch_id else Site.objects.all()
    rows = sites.values("id", "name", "code", "area", "customer__name").order_by("name", "id")
    return [row for row in rows if row["id"] in site_ids]


def _renewals(table: PlanTable, now: Standing, today: date) -> list[Renewal]:
    """Return plans in force whose term ends soon, the soonest first."""
    last = today + timedelta(days=RENEWAL_DAYS)
    rows = []
    for i, plan in enumerate(table.words.itertuples()):
        if not (plan.renews_on and today <= plan.renews_on <= last and now.is_in_force[i]):
            continue
        notice_by = plan.renews_on - timedelta(days=int(plan.notice_days))
        rows.append(
            Renewal(
                plan_code=plan.plan,
                plan_name=plan.plan_name,
                site_name=plan.site_name,
                site_code=plan.site,
                renews_on=plan.renews_on,
                notice_by=notice_by,
                monthly=to_money(now.cents[i]),
                is_notice_over=notice_by < today,
            )
        )
    return sorted(rows, key=lambda row: (row.renews_on, row.plan_code))


def _is_chosen(line: SiteMoney, choice: ReviewChoice) -> bool:
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
