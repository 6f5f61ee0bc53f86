"""The owner's review: recurring revenue, what moved it, what is ahead, what is at risk, and the entries.

What moved recurring revenue in a month, cut by site, customer, area or plan.
Reviews of a large company are kept a quarter of an hour, and say of when they are.
Recurring revenue at risk today, and what being late with carbon costs.

Their sums go through every part and every site. That takes a small company no time and one of a hundred
thousand treatment units several seconds; nobody decides differently for what happened in the last minutes.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Final, Generic, Protocol, TypeVar

from django.core.cache import cache
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import render
from django.utils.translation import gettext, ngettext
from django.views.decorators.http import require_GET

from scheduling.billing import bridge, charts
from scheduling.billing import margin_tables as tables_margins
from scheduling.billing import review as behind
from scheduling.billing import risk as billing_risk
from scheduling.billing import tables as tables
from scheduling.billing.forms import EntryFilterForm, ReviewFilterForm
from scheduling.billing.review import ReviewChoice
from scheduling.contracts.plan_columns import Within
from scheduling.pages.forms import month_of
from scheduling.pages.request_context import address_with, branch_of, now_and_today, page_number, paging
from shared.access import requires
from shared.periods import add_months, month_start
from shared.roles import Permission, may
from shared.tables import asked_file, page_or_file
from shared.translation import written


@requires(Permission.SEE_REVENUE)
@require_GET
def revenue_review(request: HttpRequest, form: str = "") -> HttpResponseBase:
    """Show the review of a month, or send its sites."""
    _, today = now_and_today(request)
    choice = _choice(request, today)
    sites = tables.REVENUE_SITES.of(
        (), every=lambda: behind.every_site(choice, today), file=f"revenue by site {choice.month:%Y-%m}"
    )
    if file := form and asked_file(request, form, sites=sites):
        return file
    found = behind.review(choice, today=today, page=page_number(request))
    filters = {"month": f"{choice.month:%Y-%m}", "words": choice.words, "at_risk": choice.only_at_risk}
    earlier, later = add_months(choice.month, -1), add_months(choice.month, 1)
    total = {
        "recurring": found.monthly, "change": found.moved, "earned_month": found.earned,
        "earned_year": found.earned_year, "risks_text": tables.amount(found.at_risk),
    }  # fmt: skip
    return page_or_file(
        request,
        "billing/revenue_review.html",
        {
            "found": found,
            "form": ReviewFilterForm(filters),
            "paging": paging(
                request,
                page=found.page,
                pages=found.pages,
                total=found.site_total,
                size=behind.PAGE_SIZE,
                what="sites",
            ),
            "trend": charts.recurring_and_earned(found.months),
            "moves": charts.bridge(found.bridge),
            "earlier": earlier,
            "later": later if later <= month_start(today) else None,
            "is_filtered": bool(choice.words or choice.only_at_risk),
        },
        sites=replace(sites, rows=found.sites, sort=choice.sort, total=total),
        renewals=tables.RENEWALS.of(found.renewals[: behind.RENEWALS_SHOWN], every=lambda: found.renewals),
    )


@requires(Permission.SEE_REVENUE)
@require_GET
def revenue_entries(request: HttpRequest, form: str = "") -> HttpResponseBase:
    """Show the entries behind a number, or send all of them."""
    filters = EntryFilterForm(request.GET)
    asked = filters.asked()

    def every() -> Iterable:
        return behind.entries(**asked, branch_id=branch_of(request), page=None).rows

    if file := asked_file(request, form, entries=tables.ENTRIES.of((), every=every)):
        return file
    found = behind.entries(**asked, branch_id=branch_of(request), page=page_number(request))
    context = {
        "form": filters,
        "found": found,
        "lists": {"entries": tables.ENTRIES.of(found.rows, total={"amount": found.total})},
        "paging": paging(
            request, page=found.page, pages=found.pages, total=found.count, size=behind.PAGE_SIZE,
            what=gettext("entries"),
        ),
    }  # fmt: skip
    return render(request, "billing/revenue_entries.html", context)


def _choice(request: HttpRequest, today: date) -> ReviewChoice:
    form = ReviewFilterForm(request.GET)
    return form.choice(today=today, sort=request.GET.get("sort", "-recurring"), branch_id=branch_of(request))


@requires(Permission.SEE_REVENUE)
@require_GET
def owner_bridge(request: HttpRequest, form: str = "") -> HttpResponseBase:
    """Show the bridge of a month, or send it."""
    found, today = _review(request)
    pages = max(1, -(-len(found.rows) // bridge.PAGE_SIZE))
    page = min(max(page_number(request), 1), pages)
    later = add_months(found.month, 1)
    rows = found.rows[(page - 1) * bridge.PAGE_SIZE : page * bridge.PAGE_SIZE]
    return page_or_file(
        request,
        "billing/owner_bridge.html",
        {
            "found": found,
            "rows": rows,
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
            "within": _within_words(_within(request)),
            "whole_url": address_with(request, site=None, customer=None, area=None, renews=None, page=None),
            "month_words": f"{found.month:%Y-%m}",
            "earlier_url": address_with(request, month=f"{add_months(found.month, -1):%Y-%m}", page=None),
            "later_url": address_with(request, month=f"{later:%Y-%m}", page=None)
            if later <= month_start(today)
            else "",
        },
        form=form,
        bridge=tables.BRIDGE.of(
            rows,
            every=lambda: found.rows,
            file=f"bridge by {found.by} {found.month:%Y-%m}",
            label=gettext("Bridge by %(by)s") % {"by": found.by},
            total=found.total,
        ),
        renewals=tables.RENEWALS_AHEAD.of(found.renewals),
    )


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


@requires(Permission.SEE_REVENUE)
@require_GET
def owner_risk(request: HttpRequest, form: str = "") -> HttpResponseBase:
    """Show sites at risk, the dearest first, or send them; costs only to who may see them."""
    risk, as_of = _risk(request)
    pages = max(1, -(-len(risk.sites) // PAGE_SIZE))
    page = min(max(page_number(request), 1), pages)
    rows, late = risk.sites[(page - 1) * PAGE_SIZE : page * PAGE_SIZE], risk.late[:LATE_SHOWN]
    together = gettext("%(at_risk)s of %(monthly)s") % {
        "at_risk": tables.amount(risk.at_risk), "monthly": tables.amount(risk.monthly),
    }  # fmt: skip
    return page_or_file(
        request,
        "billing/owner_risk.html",
        {
            "risk": risk,
            "as_of": as_of,
            "rows": rows,
            "late": late,
            "paging": paging(
                request, page=page, pages=pages, total=len(risk.sites), size=PAGE_SIZE, what=gettext("sites")
            ),
        },
        form=form,
        sites=tables_margins.RISKS.of(rows, every=lambda: risk.sites),
        reasons=tables_margins.RISK_REASONS.of(risk.reasons(), total=("", len(risk.sites), together)),
        late=tables_margins.LATE_CARBON.of(
            late,
            every=lambda: risk.late,
            total={"weekly": risk.weekly},
            total_title=ngettext("Together, %(late)s unit", "Together, %(late)s units", len(risk.late))
            % {"late": len(risk.late)},
        ),
    )


def _risk(request: HttpRequest) -> tuple[billing_risk.RiskReview, datetime | None]:
    """Return what is at risk, and since when it is kept."""
    _, today = now_and_today(request)
    with_costs = may(request.user.role, Permission.SEE_MARGINS)
    found = kept_review(
        request, f"risk:{with_costs}",
        lambda: billing_risk.risk_review(today=today, branch_id=branch_of(request), with_costs=with_costs),
    )  # fmt: skip
    return found.review, found.as_of
