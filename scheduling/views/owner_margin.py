"""What sites cost to serve and what is left of what they earn."""

from typing import Final

from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, render
from django.utils.translation import gettext
from django.views.decorators.http import require_GET

from fleet.models import Site
from scheduling import owner_charts
from scheduling.queries import cost_to_serve
from scheduling.queries import site_costs as behind
from scheduling.views.downloads import Column, ListFile, page_or_file, table_file
from scheduling.views.edge import branch_of, now_and_today, page_number, paging
from shared.access import requires
from shared.roles import Permission

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
    found = cost_to_serve.margin_review(today=today, branch_id=branch_of(request))
    pages = max(1, -(-len(found.sites) // PAGE_SIZE))
    page = min(max(page_number(request), 1), pages)
    return render(
        request,
        "scheduling/owner_margin.html",
        {
            "found": found,
            "total": found.total,
            "rows": found.sites[(page - 1) * PAGE_SIZE : page * PAGE_SIZE],
            "dearest": owner_charts.dearest_sites(found.sites),
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
    found = cost_to_serve.margin_review(today=today, branch_id=branch_of(request))
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
    found = behind.site_costs(site, today=today)
    return page_or_file(
        request,
        "scheduling/owner_site_costs.html",
        {"site": site, "found": found},
        labour=ListFile(f"labour at {code}", LABOUR_COLUMNS, lambda: found.labour),
        drive=ListFile(f"drive to {code}", DRIVE_COLUMNS, lambda: found.drive),
        parts=ListFile(f"parts at {code}", PART_COLUMNS, lambda: found.parts),
    )
