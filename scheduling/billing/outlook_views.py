"""What the coming months ask for, and what to buy now.

What sites cost to serve and what is left of what they earn.
"""

from datetime import datetime
from typing import Final

from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, render
from django.utils.translation import gettext
from django.views.decorators.http import require_GET

from fleet.models import PartKind, Site
from scheduling.billing import charts, forecast, margin
from scheduling.billing.views import kept_review
from scheduling.pages import list_columns
from scheduling.pages.downloads import Column, ListFile, page_or_file, table_file
from scheduling.pages.request_context import branch_of, now_and_today, page_number, paging
from shared.access import requires
from shared.roles import Permission, may

MOST_MONTHS: Final = 12
PARTS_SHOWN: Final = 100


@requires(Permission.SEE_REVENUE)
@require_GET
def owner_forecast(request: HttpRequest) -> HttpResponse:
    """Show the forecast; costs only to who may see them."""
    found, as_of = _forecast(request)
    sees_costs = may(request.user.role, Permission.SEE_MARGINS)
    return page_or_file(
        request,
        "billing/owner_forecast.html",
        {
            "found": found,
            "as_of": as_of,
            "ahead": charts.changes_ahead(found),
            "kinds": [(kind, list(zip(kind.means, kind.highs, strict=True))) for kind in found.kinds],
            "query": request.GET.urlencode(),
            "reorder_months": forecast.REORDER_MONTHS,
            "lengths": [(count, count == len(found.months)) for count in (3, 6, 12)],
        },
        months=ListFile("months ahead", list_columns.MONTHS_AHEAD, lambda: found.months),
        order=ListFile(
            "parts to order",
            [*list_columns.TO_ORDER, *(list_columns.TO_ORDER_COSTS if sees_costs else [])],
            lambda: found.reorder,
        ),
    )


@requires(Permission.SEE_REVENUE)
@require_GET
def owner_forecast_file(request: HttpRequest, form: str) -> HttpResponseBase:
    """Return the parts ahead and what to order as CSV or XLSX."""
    found, _ = _forecast(request)
    _, today = now_and_today(request)
    columns = [
        Column("Code", lambda kind: kind.code),
        Column("Part", lambda kind: kind.name),
        Column("In stock", lambda kind: kind.in_stock),
        Column(f"Needed in {forecast.REORDER_MONTHS} months", lambda kind: kind.needed),
        Column("To order", lambda kind: kind.to_order),
    ]
    if may(request.user.role, Permission.SEE_MARGINS):
        columns += [
            Column("Cost each", lambda kind: kind.cost, is_money=True),
            Column("Cost of order", lambda kind: kind.order_cost, is_money=True),
        ]
    for i, month in enumerate(found.months):
        columns += [
            Column(f"{month.month:%Y-%m} expected", lambda kind, i=i: round(kind.means[i], 2)),
            Column(f"{month.month:%Y-%m} enough 9 in 10", lambda kind, i=i: kind.highs[i]),
        ]
    return table_file(f"parts ahead {today:%Y-%m-%d}", form, columns, found.kinds)


@requires(Permission.SEE_REVENUE)
@require_GET
def parts_ahead(request: HttpRequest, code: str) -> HttpResponseBase:
    """Show the parts behind a kind's numbers."""
    _, today = now_and_today(request)
    kind = get_object_or_404(PartKind, code=code)
    found = forecast.parts_ahead(code, today=today, branch_id=branch_of(request), months=_months(request))
    columns = [
        Column("Treatment unit", lambda row: row.serial),
        Column("Position", lambda row: row.position),
        Column("Site code", lambda row: row.site_code),
        Column("Site", lambda row: row.site_name),
        Column("Installed", lambda row: row.installed_on),
        Column("Expected change", lambda row: row.likely_on),
        *(
            Column(f"{month:%Y-%m}", lambda row, i=i: round(row.chances[i], 4))
            for i, month in enumerate(found.months)
        ),
    ]
    return page_or_file(
        request,
        "billing/owner_parts_ahead.html",
        {
            "kind": kind,
            "found": found,
            "shown": [
                {**vars(part), "by_month": list(zip(found.months, part.chances, strict=True))}
                for part in found.parts[:PARTS_SHOWN]
            ],
        },
        parts=ListFile(f"parts ahead {code}", columns, lambda: found.parts),
    )


def _months(request: HttpRequest) -> int:
    text = request.GET.get("months", "")
    months = int(text) if text.isascii() and text.isdigit() and len(text) < 4 else forecast.MONTHS
    return min(max(months, 1), MOST_MONTHS)


def _forecast(request: HttpRequest) -> tuple[forecast.Forecast, datetime | None]:
    """Return the forecast, and since when it is kept."""
    _, today = now_and_today(request)
    months = _months(request)
    found = kept_review(
        request, f"forecast:{months}",
        lambda: forecast.forecast(today=today, branch_id=branch_of(request), months=months),
    )  # fmt: skip
    return found.review, found.as_of


PAGE_SIZE: Final = 50
COLUMNS: Final = [
    Column("Site code", lambda row: row.site_code),
    Column("Site", lambda row: row.site_name),
    Column("Customer", lambda row: row.customer),
    Column("Area", lambda row: row.area),
    Column("Earned", lambda row: row.revenue, is_money=True),
    Column("Minutes on site", lambda row: row.labour_minutes),
    Column("Labour", lambda row: row.labour, is_money=True),
    Column("Minutes driven", lambda row: round(row.drive_minutes, 1)),
    Column("Drive", lambda row: row.drive, is_money=True),
    Column("Parts at cost", lambda row: row.parts, is_money=True),
    Column("Cost", lambda row: row.cost, is_money=True),
    Column("Margin", lambda row: row.margin, is_money=True),
    Column("Close-outs", lambda row: row.close_outs),
    Column("Outside the plan", lambda row: row.outside_plan),
]


@requires(Permission.SEE_MARGINS)
@require_GET
def owner_margin(request: HttpRequest) -> HttpResponse:
    """Show margins, the worst first."""
    _, today = now_and_today(request)
    found = margin.margin_review(today=today, branch_id=branch_of(request))
    pages = max(1, -(-len(found.sites) // PAGE_SIZE))
    page = min(max(page_number(request), 1), pages)
    return render(
        request,
        "billing/owner_margin.html",
        {
            "found": found,
            "total": found.total,
            "rows": found.sites[(page - 1) * PAGE_SIZE : page * PAGE_SIZE],
            "dearest": charts.dearest_sites(found.sites),
            "paging": paging(
                request, page=page, pages=pages, total=len(found.sites), size=PAGE_SIZE, what=gettext("sites")
            ),
        },
    )


@requires(Permission.SEE_MARGINS)
@require_GET
def owner_margin_file(request: HttpRequest, form: str) -> HttpResponseBase:
    """Return the margins as CSV or XLSX."""
    _, today = now_and_today(request)
    found = margin.margin_review(today=today, branch_id=branch_of(request))
    return table_file(f"margin by site {today:%Y-%m-%d}", form, COLUMNS, found.sites)


LABOUR_COLUMNS: Final = [
    Column("Order", lambda row: row.order_id),
    Column("Finished", lambda row: row.finished_at),
    Column("Work", lambda row: row.what),
    Column("Technician", lambda row: row.technician),
    Column("Minutes", lambda row: row.minutes),
    Column("Cost", lambda row: row.cost, is_money=True),
    Column("Outside the plan", lambda row: "yes" if row.is_outside_plan else "no"),
]
DRIVE_COLUMNS: Final = [
    Column("Day", lambda row: row.day),
    Column("Technician", lambda row: row.technician),
    Column("Minutes", lambda row: round(row.minutes, 1)),
    Column("Cost", lambda row: row.cost, is_money=True),
]
PART_COLUMNS: Final = [
    Column("Order", lambda row: row.order_id),
    Column("Finished", lambda row: row.finished_at),
    Column("Treatment unit", lambda row: row.serial),
    Column("Code", lambda row: row.code),
    Column("Part", lambda row: row.name),
    Column("Cost", lambda row: row.cost, is_money=True),
]


@requires(Permission.SEE_MARGINS)
@require_GET
def site_costs(request: HttpRequest, code: str) -> HttpResponseBase:
    """Show the rows behind what a site cost."""
    _, today = now_and_today(request)
    sites = Site.objects.select_related("customer")
    if branch_of(request):
        sites = sites.filter(branch_id=branch_of(request))
    site = get_object_or_404(sites, code=code)
    found = margin.site_costs(site, today=today)
    return page_or_file(
        request,
        "billing/owner_site_costs.html",
        {"site": site, "found": found},
        labour=ListFile(f"labour at {code}", LABOUR_COLUMNS, lambda: found.labour),
        drive=ListFile(f"drive to {code}", DRIVE_COLUMNS, lambda: found.drive),
        parts=ListFile(f"parts at {code}", PART_COLUMNS, lambda: found.parts),
    )
