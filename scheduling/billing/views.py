"""The owner's review: recurring revenue, what moved it, what is ahead, what is at risk, and the entries.

What moved recurring revenue in a month, cut by site, customer, area or plan.
Reviews of a large company are kept a quarter of an hour, and say of when they are.
Recurring revenue at risk today, and what being late with carbon costs.

Their sums go through every part and every site. That takes a small company no time and one of a hundred
thousand treatment units several seconds; nobody decides differently for what happened in the last minutes.
"""

from collections.abc import Callable
from datetime import datetime
from typing import Any, Final, TypeVar

from django.core.cache import cache
from django.http import HttpRequest, HttpResponseBase
from django.utils.translation import gettext, ngettext
from django.views.decorators.http import require_GET

from scheduling.billing import bridge, charts, review, tables
from scheduling.billing import margin_tables as tables_margins
from scheduling.billing.forms import EntryFilterForm, ReviewFilterForm
from scheduling.billing.risk import risk_review
from scheduling.contracts.plan_columns import Within
from scheduling.pages.forms import month_of
from scheduling.pages.request_context import address_with, branch_of, now_and_today, page_of
from shared.access import requires
from shared.periods import add_months, month_start
from shared.roles import Permission, may
from shared.tables import render_or_export
from shared.translation import written

PAGE_SIZE: Final = 50


@requires(Permission.SEE_REVENUE)
@require_GET
def revenue_review(request: HttpRequest, form: str = "") -> HttpResponseBase:
    """Show the review of a month, or send its sites."""
    _, today = now_and_today(request)
    asked, sort = ReviewFilterForm(request.GET), request.GET.get("sort", "-recurring")
    choice = asked.choice(today=today, sort=sort, branch_id=branch_of(request))
    found = review.review(choice, today=today)
    sites, paging = page_of(request, found.sites, what="sites", size=PAGE_SIZE)
    filters = {"month": f"{choice.month:%Y-%m}", "words": choice.words, "at_risk": choice.only_at_risk}
    later = add_months(choice.month, 1)
    total = {
        "recurring": found.bridge.end, "change": found.bridge.change, "earned_month": found.earned,
        "earned_year": found.earned_year, "risks": tables.amount(found.at_risk),
    }  # fmt: skip
    return render_or_export(
        request,
        "billing/revenue_review.html",
        {
            "found": found,
            "form": ReviewFilterForm(filters),
            "paging": paging,
            "trend": charts.recurring_and_earned(found.months),
            "moves": charts.bridge(found.bridge),
            "earlier": add_months(choice.month, -1),
            "later": later if later <= month_start(today) else None,
            "is_filtered": bool(choice.words or choice.only_at_risk),
        },
        form=form,
        sites=tables.REVENUE_SITES.of(
            sites, every=lambda: found.sites, file=f"revenue by site {choice.month:%Y-%m}",
            sort=choice.sort, total=total,
        ),
        renewals=tables.RENEWALS.of(found.renewals[: review.RENEWALS_SHOWN], every=lambda: found.renewals),
    )  # fmt: skip


@requires(Permission.SEE_REVENUE)
@require_GET
def revenue_entries(request: HttpRequest, form: str = "") -> HttpResponseBase:
    """Show the entries behind a number, or send all of them."""
    filters = EntryFilterForm(request.GET)
    entries, sums = review.entries(**filters.asked(), branch_id=branch_of(request))
    rows, paging = page_of(request, entries, what=gettext("entries"), size=PAGE_SIZE, total=sums["count"])
    return render_or_export(
        request,
        "billing/revenue_entries.html",
        {"form": filters, "rows": rows, "sums": sums, "paging": paging},
        form=form,
        entries=tables.ENTRIES.of(rows, every=entries.iterator, total={"amount": sums["total"]}),
    )


@requires(Permission.SEE_REVENUE)
@require_GET
def owner_bridge(request: HttpRequest, form: str = "") -> HttpResponseBase:
    """Show the bridge of a month, or send it."""
    _, today = now_and_today(request)
    by, this_month, within = request.GET.get("by", "site"), month_start(today), _within(request)
    found = bridge.bridge_review(
        month=min(month_of(request.GET.get("month", "")) or this_month, this_month),
        by=by if by in bridge.GROUPS else "site", branch_id=branch_of(request), today=today, within=within,
    )  # fmt: skip
    rows, paging = page_of(request, found.rows, what=gettext("rows"), size=PAGE_SIZE)
    later = add_months(found.month, 1)
    return render_or_export(
        request,
        "billing/owner_bridge.html",
        {
            "found": found,
            "rows": rows,
            "cuts": [(by, address_with(request, by=by, page=None), by == found.by) for by in bridge.GROUPS],
            "moves": charts.bridge(found.total),
            "trend": charts.three_years(found.months),
            "paging": paging,
            "within": _within_words(within),
            "whole_url": address_with(request, site=None, customer=None, area=None, renews=None, page=None),
            "month_words": f"{found.month:%Y-%m}",
            "earlier_url": address_with(request, month=f"{add_months(found.month, -1):%Y-%m}", page=None),
            "later_url": address_with(request, month=f"{later:%Y-%m}", page=None)
            if later <= this_month
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


Review = TypeVar("Review", bound=Any)


def kept_review(
    request: HttpRequest, name: str, compute: Callable[[], Review]
) -> tuple[Review, datetime | None]:
    """Return a review of this person's branch, and since when it is kept (None: computed just now).

    ``name`` says which, with all it depends on beside branch and day. ``?anew`` computes in any case. A
    review says in ``gone_through`` how many rows it took.
    """
    now, today = now_and_today(request)
    key = f"review:2:{name}:{branch_of(request)}:{today:%Y-%m-%d}"
    kept = None if "anew" in request.GET else cache.get(key)
    if kept is not None:
        return kept
    review = compute()
    if review.gone_through >= LARGE:
        cache.set(key, (review, now), KEPT_S)
    return review, None


LATE_SHOWN: Final = 30


@requires(Permission.SEE_REVENUE)
@require_GET
def owner_risk(request: HttpRequest, form: str = "") -> HttpResponseBase:
    """Show sites at risk, the dearest first, or send them; costs only to who may see them."""
    _, today = now_and_today(request)
    with_costs = may(request.user.role, Permission.SEE_MARGINS)
    risk, as_of = kept_review(
        request, f"risk:{with_costs}",
        lambda: risk_review(today=today, branch_id=branch_of(request), with_costs=with_costs),
    )  # fmt: skip
    rows, paging = page_of(request, risk.sites, what=gettext("sites"), size=PAGE_SIZE)
    late = risk.late[:LATE_SHOWN]
    together = gettext("%(at_risk)s of %(monthly)s") % {
        "at_risk": tables.amount(risk.at_risk), "monthly": tables.amount(risk.monthly),
    }  # fmt: skip
    return render_or_export(
        request,
        "billing/owner_risk.html",
        {"risk": risk, "as_of": as_of, "rows": rows, "late": late, "paging": paging},
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
