"""What moved recurring revenue in a month, cut by site, customer, area or plan."""

from datetime import date
from typing import Final

from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.utils.translation import gettext
from django.views.decorators.http import require_GET

from scheduling import charts, owner_charts
from scheduling.forms import month_of
from scheduling.queries import bridge
from scheduling.queries.plan_columns import Within
from scheduling.views import list_columns
from scheduling.views.downloads import Column, ListFile, page_or_file, table_file
from scheduling.views.edge import address_with, branch_of, now_and_today, page_number, paging
from shared.access import requires
from shared.periods import add_months, month_start
from shared.roles import Permission
from shared.told import written

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
        "scheduling/owner_bridge.html",
        {
            "found": found,
            "rows": found.rows[(page - 1) * bridge.PAGE_SIZE : page * bridge.PAGE_SIZE],
            "cuts": [(by, address_with(request, by=by, page=None), by == found.by) for by in bridge.GROUPS],
            "moves": charts.bridge(found.total),
            "trend": owner_charts.three_years(found.months),
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
