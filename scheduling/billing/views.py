"""The owner's review: recurring revenue, what moved it, what is ahead, what is at risk, and the entries.

What moved recurring revenue in a month, cut by site, customer, area or plan.
Reviews of a large company are kept a quarter of an hour, and say of when they are.
Recurring revenue at risk today, and what being late with carbon costs.

Their sums go through every part and every site. That takes a small company no time and one of a hundred
thousand treatment units several seconds; nobody decides differently for what happened in the last minutes.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final, Generic, Protocol, TypeVar

from django.core.cache import cache
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.utils.translation import gettext, gettext_lazy
from django.views.decorators.http import require_GET

from scheduling.billing import bridge, charts
from scheduling.billing import review as billing_review
from scheduling.billing import risk as billing_risk
from scheduling.billing.forms import EntryFilterForm, ReviewFilterForm
from scheduling.billing.review import ReviewChoice
from scheduling.contracts.plan_columns import Within
from scheduling.pages import list_columns
from scheduling.pages.downloads import Column, ListFile, page_or_file, table_file
from scheduling.pages.forms import month_of
from scheduling.pages.request_context import (
    address_with,
    branch_of,
    headers,
    now_and_today,
    page_number,
    paging,
)
from shared.access import requires
from shared.periods import add_months, month_start
from shared.roles import Permission, may
from shared.translation import written

TITLES: Final = [
    ("site", gettext_lazy("Site"), False),
    ("customer", gettext_lazy("Customer"), False),
    ("area", gettext_lazy("Area"), False),
    ("recurring", gettext_lazy("Recurring a month"), True),
    ("change", gettext_lazy("Against the month before"), True),
    ("", gettext_lazy("Earned this month"), True),
    ("earned", gettext_lazy("Earned in 12 months"), True),
    ("risk", gettext_lazy("At risk"), False),
]
SITE_COLUMNS: Final = [
    Column("Site", lambda row: row.site_name),
    Column("Site code", lambda row: row.site_code),
    Column("Customer", lambda row: row.customer),
    Column("Area", lambda row: row.area),
    Column("Plans", lambda row: row.plans),
    Column("Recurring a month", lambda row: row.recurring, is_money=True),
    Column("Month before", lambda row: row.recurring_before, is_money=True),
    Column("Change", lambda row: row.change, is_money=True),
    Column("Earned this month", lambda row: row.earned_month, is_money=True),
    Column("Earned in 12 months", lambda row: row.earned_year, is_money=True),
    Column("At risk because", lambda row: ", ".join(row.risks)),
]
ENTRY_COLUMNS: Final = [
    Column("Entry", lambda row: row.pk),
    Column("Month", lambda row: row.month),
    Column("Kind", lambda row: row.kind_word),
    Column("Site", lambda row: row.site_name),
    Column("Site code", lambda row: row.site_code),
    Column("Plan", lambda row: row.plan_code),
    Column("Treatment unit", lambda row: row.serial),
    Column("Text", lambda row: row.text),
    Column("Amount", lambda row: row.amount, is_money=True),
    Column("Corrects entry", lambda row: row.corrects),
]


@requires(Permission.SEE_REVENUE)
@require_GET
def revenue_review(request: HttpRequest) -> HttpResponse:
    """Show the review of a month."""
    _, today = now_and_today(request)
    choice = _choice(request, today)
    found = billing_review.review(choice, today=today, page=page_number(request))
    filters = {"month": f"{choice.month:%Y-%m}", "words": choice.words, "at_risk": choice.only_at_risk}
    earlier, later = add_months(choice.month, -1), add_months(choice.month, 1)
    return page_or_file(
        request,
        "billing/revenue_review.html",
        {
            "found": found,
            "renewals": found.renewals[: billing_review.RENEWALS_SHOWN],
            "form": ReviewFilterForm(filters),
            "headers": headers(request, TITLES, choice.sort),
            "paging": paging(
                request,
                page=found.page,
                pages=found.pages,
                total=found.site_total,
                size=billing_review.PAGE_SIZE,
                what="sites",
            ),
            "trend": charts.recurring_and_earned(found.months),
            "moves": charts.bridge(found.bridge),
            "query": request.GET.urlencode(),
            "earlier": earlier,
            "later": later if later <= month_start(today) else None,
            "is_filtered": bool(choice.words or choice.only_at_risk),
        },
        renewals=ListFile("renewals", list_columns.PLAN_RENEWALS, lambda: found.renewals),
    )


@requires(Permission.SEE_REVENUE)
@require_GET
def revenue_file(request: HttpRequest, form: str) -> HttpResponseBase:
    """Return the sites of the review as CSV or XLSX."""
    _, today = now_and_today(request)
    choice = _choice(request, today)
    name = f"revenue by site {choice.month:%Y-%m}"
    return table_file(name, form, SITE_COLUMNS, billing_review.every_site(choice, today))


@requires(Permission.SEE_REVENUE)
@require_GET
def revenue_entries(request: HttpRequest) -> HttpResponse:
    """Show the entries behind a number."""
    form = EntryFilterForm(request.GET)
    found = billing_review.entries(**form.asked(), branch_id=branch_of(request), page=page_number(request))
    return render(
        request,
        "billing/revenue_entries.html",
        {
            "form": form,
            "found": found,
            "query": request.GET.urlencode(),
            "paging": paging(
                request, page=found.page, pages=found.pages, total=found.count, size=billing_review.PAGE_SIZE,
                what=gettext("entries"),
            ),
        },
    )  # fmt: skip


@requires(Permission.SEE_REVENUE)
@require_GET
def entries_file(request: HttpRequest, form: str) -> HttpResponseBase:
    """Return the entries behind a number as CSV or XLSX."""
    asked = EntryFilterForm(request.GET).asked()
    found = billing_review.entries(**asked, branch_id=branch_of(request), page=None)
    return table_file("revenue entries", form, ENTRY_COLUMNS, found.rows)


def _choice(request: HttpRequest, today: date) -> ReviewChoice:
    form = ReviewFilterForm(request.GET)
    return form.choice(today=today, sort=request.GET.get("sort", "-recurring"), branch_id=branch_of(request))


COLUMNS: Final = [
    Column("Code", lambda row: row.key),
    Column("Name", lambda row: row.name),
    Column("Month before", lambda row: row.start, is_money=True),
    Column("New", lambda row: row.new, is_money=True),
    Column("Grown", lambda row: row.grown, is_money=True),
    Column("Resumed", lambda row: row.resumed, is_money=True),
    Column("Shrunk", lambda row: row.shrunk, is_money=True),
    Column("Paused", lambda row: row.paused, is_money=True),
    Column("Lost", lambda row: row.lost, is_money=True),
    Column("This month", lambda row: row.end, is_money=True),
]


@requires(Permission.SEE_REVENUE)
@require_GET
def owner_bridge(request: HttpRequest) -> HttpResponse:
    """Show the bridge of a month."""
    found, today = _review(request)
    pages = max(1, -(-len(found.rows) // bridge.PAGE_SIZE))
    page = min(max(page_number(request), 1), pages)
    later = add_months(found.month, 1)
    return page_or_file(
        request,
        "billing/owner_bridge.html",
        {
            "found": found,
            "rows": found.rows[(page - 1) * bridge.PAGE_SIZE : page * bridge.PAGE_SIZE],
            "cuts": [(by, address_with(request, by=by, page=None), by == found.by) for by in bridge.GROUPS],
            "moves": charts.bridge(found.total),
            "trend": charts.three_years(found.months),
            "paging": paging(
                request,
                page=page,
                pages=pages,
                total=len(found.rows),
                size=bridge.PAGE_SIZE,
                what=gettext("rows"),
            ),
            "query": request.GET.urlencode(),
            "within": _within_words(_within(request)),
            "whole_url": address_with(request, site=None, customer=None, area=None, renews=None, page=None),
            "month_words": f"{found.month:%Y-%m}",
            "earlier_url": address_with(request, month=f"{add_months(found.month, -1):%Y-%m}", page=None),
            "later_url": address_with(request, month=f"{later:%Y-%m}", page=None)
            if later <= month_start(today)
            else "",
        },
        renewals=ListFile("renewals ahead", list_columns.RENEWALS, lambda: found.renewals),
    )


@requires(Permission.SEE_REVENUE)
@require_GET
def owner_bridge_file(request: HttpRequest, form: str) -> HttpResponseBase:
    """Return the bridge as CSV or XLSX."""
    found, _ = _review(request)
    return table_file(f"bridge by {found.by} {found.month:%Y-%m}", form, COLUMNS, found.rows)


def _review(request: HttpRequest) -> tuple[bridge.BridgeReview, date]:
    _, today = now_and_today(request)
    by = request.GET.get("by", "site")
    month = month_of(request.GET.get("month", "")) or month_start(today)
    found = bridge.bridge_review(
        month=min(month, month_start(today)),
        by=by if by in bridge.GROUPS else "site",
        branch_id=branch_of(request),
        today=today,
        within=_within(request),
    )
    return found, today


def _within(request: HttpRequest) -> Within:
    asked = request.GET
    return Within(
        site=asked.get("site", ""),
        customer=asked.get("customer", ""),
        area=asked.get("area"),
        renews=month_of(asked.get("renews", "")),
    )


def _within_words(within: Within) -> str:
    words = [
        gettext("site %(site)s") % {"site": within.site} if within.site else "",
        gettext("customer %(customer)s") % {"customer": within.customer} if within.customer else "",
        ""
        if within.area is None
        else gettext("area %(area)s") % {"area": within.area or gettext("not given")},
        gettext("plans that renew in %(renews)s") % {"renews": written(within.renews, "%B %Y")}
        if within.renews
        else "",
    ]
    return ", ".join(word for word in words if word)


LARGE: Final = 10_000
"""Rows gone through from which a review is kept. Ours."""
KEPT_S: Final = 15 * 60


class Sized(Protocol):
    """A review that says how many parts or plans it went through."""

    @property
    def gone_through(self) -> int:
        """How many."""
        ...


Review = TypeVar("Review", bound=Sized)


@dataclass(frozen=True)
class Kept(Generic[Review]):
    """A review, and since when it is kept; None where it was reckoned just now."""

    review: Review
    as_of: datetime | None


def kept_review(request: HttpRequest, name: str, reckon: Callable[[], Review]) -> Kept[Review]:
    """Return a review of this person's branch, kept or reckoned now; ``?anew`` reckons in any case.

    ``name`` says which, with all it depends on beside branch and day.
    """
    now, today = now_and_today(request)
    key = f"review:{name}:{branch_of(request)}:{today:%Y-%m-%d}"
    found = None if "anew" in request.GET else cache.get(key)
    if found is not None:
        return Kept(*found)
    review = reckon()
    if review.gone_through >= LARGE:
        cache.set(key, (review, now), KEPT_S)
    return Kept(review, None)


PAGE_SIZE: Final = 50
LATE_SHOWN: Final = 30
RISK_COLUMNS: Final = [
    Column("Site code", lambda row: row.site_code),
    Column("Site", lambda row: row.site_name),
    Column("Customer", lambda row: row.customer),
    Column("Recurring a month", lambda row: row.monthly, is_money=True),
    Column("Work overdue", lambda row: row.overdue),
    Column("Not ready", lambda row: row.unready),
    Column("Decaying", lambda row: row.decaying),
]


@requires(Permission.SEE_REVENUE)
@require_GET
def owner_risk(request: HttpRequest) -> HttpResponse:
    """Show sites at risk, the dearest first; costs only to who may see them."""
    risk, as_of = _risk(request)
    pages = max(1, -(-len(risk.sites) // PAGE_SIZE))
    page = min(max(page_number(request), 1), pages)
    return page_or_file(
        request,
        "billing/owner_risk.html",
        {
            "risk": risk,
            "as_of": as_of,
            "rows": risk.sites[(page - 1) * PAGE_SIZE : page * PAGE_SIZE],
            "late": risk.late[:LATE_SHOWN],
            "paging": paging(
                request, page=page, pages=pages, total=len(risk.sites), size=PAGE_SIZE, what=gettext("sites")
            ),
        },
        reasons=ListFile("revenue at risk by reason", list_columns.RISK_REASONS, risk.reasons),
        late=ListFile("membranes behind spent carbon", list_columns.LATE_CARBON, lambda: risk.late),
    )


@requires(Permission.SEE_REVENUE)
@require_GET
def owner_risk_file(request: HttpRequest, form: str) -> HttpResponseBase:
    """Return the sites at risk as CSV or XLSX."""
    return table_file("revenue at risk", form, RISK_COLUMNS, _risk(request)[0].sites)


def _risk(request: HttpRequest) -> tuple[billing_risk.RiskReview, datetime | None]:
    """Return what is at risk, and since when it is kept."""
    _, today = now_and_today(request)
    with_costs = may(request.user.role, Permission.SEE_MARGINS)
    found = kept_review(
        request, f"risk:{with_costs}",
        lambda: billing_risk.risk_review(today=today, branch_id=branch_of(request), with_costs=with_costs),
    )  # fmt: skip
    return found.review, found.as_of
