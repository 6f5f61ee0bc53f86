"""What the owner's review shows: recurring revenue, what moved it, what is ahead, what is at risk."""

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date, timedelta
from decimal import Decimal
from typing import Final

from django.db.models import Count, Q, Sum

from fleet.models import ReadinessState, Site, UnitState
from scheduling.models import RAISED_KINDS, PlanInterval, RevenueEntry, ServicePlan, WorkOrder
from shared.money import to_cents
from shared.periods import add_months, month_start

MONTHS_OF: Final = {PlanInterval.MONTH: 1, PlanInterval.QUARTER: 3, PlanInterval.YEAR: 12}
"""Months that one price of a plan covers."""
NOTHING: Final = Decimal("0.00")
MONTHS_SHOWN: Final = 13
RENEWAL_DAYS: Final = 120
PAGE_SIZE: Final = 50
SORTS: Final = ("recurring", "change", "earned", "risk", "site", "customer", "area")
UNREADY: Final = [ReadinessState.FLUSH_OWED, ReadinessState.BEDDING, ReadinessState.OUT_OF_SERVICE]


@dataclass(frozen=True)
class Bridge:
    """What moved recurring revenue from one month to the next. The parts add up to the end exactly."""

    start: Decimal
    new: Decimal
    grown: Decimal
    shrunk: Decimal
    lost: Decimal
    end: Decimal

    @property
    def steps(self) -> list[tuple[str, Decimal]]:
        """Return the moves in words."""
        return [("New", self.new), ("Grown", self.grown), ("Shrunk", self.shrunk), ("Lost", self.lost)]


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
class MonthMoney:
    """One month's figures."""

    month: date
    recurring: Decimal
    earned: Decimal


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


@dataclass(frozen=True)
class _Plan:
    """A plan and its prices in memory."""

    pk: int
    site_id: int
    months: int
    starts_on: date
    ends_on: date | None
    prices: list[tuple[date, Decimal]]

    def monthly_on(self, day: date) -> Decimal:
        """Return what the plan brings per month on a day, rounded to the cent."""
        if day < self.starts_on or (self.ends_on and day >= self.ends_on):
            return NOTHING
        amount = NOTHING
        for from_on, price in self.prices:
            if from_on <= day:
                amount = price
        return to_cents(amount / self.months)


def review(choice: ReviewChoice, *, today: date, page: int) -> Review:
    """Return the review of a month. Eight queries, however many sites.

    Recurring revenue of a month is what the plans in force on its last day bring per month (today, for
    the month under way).
    """
    plans = _plans(choice.branch_id)
    month = month_start(choice.month)
    lines = site_lines(choice, today=today, plans=plans)
    shown = [line for line in lines if _is_chosen(line, choice)]
    pages = max(1, -(-len(shown) // PAGE_SIZE))
    page = min(max(page, 1), pages)
    risky = [line for line in lines if line.risks and line.recurring]
    return Review(
        month=month,
        months=_months(plans, month, today, choice.branch_id),
        bridge=bridge(plans, month, today),
        sites=shown[(page - 1) * PAGE_SIZE : page * PAGE_SIZE],
        site_total=len(shown),
        page=page,
        pages=pages,
        renewals=_renewals(choice.branch_id, plans, today),
        at_risk=sum((line.recurring for line in risky), NOTHING),
        at_risk_sites=len(risky),
        earned=sum((line.earned_month for line in lines), NOTHING),
        earned_year=sum((line.earned_year for line in lines), NOTHING),
    )


def every_site(choice: ReviewChoice, today: date) -> list[SiteMoney]:
    """Return all chosen lines for a download."""
    return [line for line in site_lines(choice, today=today) if _is_chosen(line, choice)]


def site_lines(choice: ReviewChoice, *, today: date, plans: list[_Plan] | None = None) -> list[SiteMoney]:
    """Return one line per site that has a plan or earned something within the year, sorted."""
    plans = _plans(choice.branch_id) if plans is None else plans
    month = month_start(choice.month)
    now_on, before_on = _as_of(month, today), _as_of(add_months(month, -1), today)
    sums: dict[int, list] = defaultdict(lambda: [0, NOTHING, NOTHING])
    for plan in plans:
        line = sums[plan.site_id]
        current = plan.monthly_on(now_on)
        line[0] += bool(current)
        line[1] += current
        line[2] += plan.monthly_on(before_on)
    earned = _earned(month, choice.branch_id)
    risks = _risks(today, choice.branch_id)
    rows = []
    for site in _sites(set(sums) | set(earned)):
        count, current, before = sums[site["id"]]
        month_sum, year_sum = earned.get(site["id"], (NOTHING, NOTHING))
        rows.append(
            SiteMoney(
                site_pk=site["id"],
                site_name=site["name"],
                site_code=site["code"],
                customer=site["customer__name"],
                area=site["area"],
                plans=count,
                recurring=current,
                recurring_before=before,
                earned_month=month_sum,
                earned_year=year_sum,
                risks=risks.get(site["id"], []),
            )
        )
    return _sorted(rows, choice.sort)


def bridge(plans: list[_Plan], month: date, today: date) -> Bridge:
    """Return what moved recurring revenue into this month, plan by plan."""
    start = new = grown = shrunk = lost = end = NOTHING
    before_on, now_on = _as_of(add_months(month, -1), today), _as_of(month, today)
    for plan in plans:
        before, current = plan.monthly_on(before_on), plan.monthly_on(now_on)
        start += before
        end += current
        if not before:
            new += current
        elif not current:
            lost -= before
        elif current > before:
            grown += current - before
        else:
            shrunk += current - before
    return Bridge(start, new, grown, shrunk, lost, end)


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
        total=sums["total"] or NOTHING,
        count=sums["count"],
        page=page or 1,
        pages=pages,
    )


def _plans(branch_id: int | None) -> list[_Plan]:
    plans = ServicePlan.objects.filter(site__branch_id=branch_id) if branch_id else ServicePlan.objects.all()
    return [
        _Plan(
            pk=plan.pk,
            site_id=plan.site_id,
            months=MONTHS_OF[PlanInterval(plan.interval)],
            starts_on=plan.starts_on,
            ends_on=plan.ends_on,
            prices=sorted((price.from_on, price.amount) for price in plan.prices.all()),
        )
        for plan in plans.order_by("id").prefetch_related("prices")
    ]


def _as_of(month: date, today: date) -> date:
    """Return the day a month's recurring revenue is taken on: its last, or today within it."""
    last = add_months(month, 1) - timedelta(days=1)
    return min(last, today) if month_start(today) == month else last


def _months(plans: list[_Plan], month: date, today: date, branch_id: int | None) -> list[MonthMoney]:
    first = add_months(month, 1 - MONTHS_SHOWN)
    found = RevenueEntry.objects.filter(month__range=(first, month))
    if branch_id:
        found = found.filter(site__branch_id=branch_id)
    earned = dict(found.values_list("month").annotate(total=Sum("amount")).order_by())
    months = [add_months(first, i) for i in range(MONTHS_SHOWN)]
    return [
        MonthMoney(
            month=one,
            recurring=sum((plan.monthly_on(_as_of(one, today)) for plan in plans), NOTHING),
            earned=earned.get(one, NOTHING),
        )
        for one in months
    ]


def _earned(month: date, branch_id: int | None) -> dict[int, tuple[Decimal, Decimal]]:
    """Return what each site earned in the month and in the twelve months ending with it."""
    found = RevenueEntry.objects.filter(month__range=(add_months(month, -11), month))
    if branch_id:
        found = found.filter(site__branch_id=branch_id)
    sums = found.values("site_id").annotate(year=Sum("amount"), now=Sum("amount", filter=Q(month=month)))
    return {row["site_id"]: (row["now"] or NOTHING, row["year"]) for row in sums.order_by()}


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


def _sites(site_ids: set[int]) -> list[dict]:
    sites = Site.objects
    if len(site_ids) < 900:
        sites = sites.filter(id__in=site_ids)
    rows = sites.values("id", "name", "code", "area", "customer__name").order_by("name", "id")
    return [row for row in rows if row["id"] in site_ids]


def _renewals(branch_id: int | None, plans: list[_Plan], today: date) -> list[Renewal]:
    monthly = {plan.pk: plan.monthly_on(today) for plan in plans}
    ahead = ServicePlan.objects.filter(renews_on__range=(today, today + timedelta(days=RENEWAL_DAYS)))
    ahead = ahead.filter(Q(ends_on__isnull=True) | Q(ends_on__gt=today))
    if branch_id:
        ahead = ahead.filter(site__branch_id=branch_id)
    rows = []
    for plan in ahead.select_related("site").order_by("renews_on", "code"):
        notice_by = plan.renews_on - timedelta(days=plan.notice_days)
        rows.append(
            Renewal(
                plan_code=plan.code,
                plan_name=plan.name,
                site_name=plan.site.name,
                site_code=plan.site.code,
                renews_on=plan.renews_on,
                notice_by=notice_by,
                monthly=monthly.get(plan.pk, NOTHING),
                is_notice_over=notice_by < today,
            )
        )
    return rows


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
