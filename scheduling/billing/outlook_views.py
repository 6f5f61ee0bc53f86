"""What the coming months ask for, and what to buy now.

What sites cost to serve and what is left of what they earn.
"""

from typing import Final

from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import get_object_or_404
from django.utils.translation import gettext
from django.views.decorators.http import require_GET

from fleet.models import PartKind, Site
from scheduling.billing import charts, forecast, margin
from scheduling.billing import margin_tables as tables
from scheduling.billing.views import PAGE_SIZE, kept_review
from scheduling.pages.request_context import branch_of, now_and_today, of_own_branch, page_of
from shared.access import requires
from shared.roles import Permission
from shared.tables import render_or_export

MOST_MONTHS: Final = 12
PARTS_SHOWN: Final = 100


@requires(Permission.SEE_REVENUE)
@require_GET
def owner_forecast(request: HttpRequest, form: str = "") -> HttpResponseBase:
    """Show the forecast, or send its parts; costs only to who may see them."""
    _, today = now_and_today(request)
    months = _months(request)
    found, as_of = kept_review(
        request, f"forecast:{months}",
        lambda: forecast.forecast(today=today, branch_id=branch_of(request), months=months),
    )  # fmt: skip
    return render_or_export(
        request,
        "billing/owner_forecast.html",
        {
            "found": found,
            "as_of": as_of,
            "ahead": charts.changes_ahead(found),
            "reorder_months": forecast.REORDER_MONTHS,
            "lengths": [(count, count == len(found.months)) for count in (3, 6, 12)],
        },
        form=form,
        kinds=tables.KINDS_AHEAD.of(
            found.kinds, file=f"parts ahead {today:%Y-%m-%d}",
            more=tables.months_of_kinds([month["month"] for month in found.months]),
        ),
        months=tables.MONTHS_AHEAD.of(found.months),
        order=tables.PARTS_TO_ORDER.of(found.reorder, total=found),
    )  # fmt: skip


@requires(Permission.SEE_REVENUE)
@require_GET
def parts_ahead(request: HttpRequest, code: str) -> HttpResponseBase:
    """Show the parts behind a kind's numbers."""
    _, today = now_and_today(request)
    kind = get_object_or_404(PartKind, code=code)
    found = forecast.parts_ahead(code, today=today, branch_id=branch_of(request), months=_months(request))
    shown = found.parts[:PARTS_SHOWN]
    return render_or_export(
        request,
        "billing/owner_parts_ahead.html",
        {"kind": kind, "found": found, "shown": shown},
        parts=tables.PARTS_AHEAD.of(
            shown, every=lambda: found.parts, file=f"parts ahead {code}", total={"chances": found.means},
            more=tables.months_of_parts(found.months),
            total_title=gettext("Expected, all %(parts)s parts") % {"parts": f"{len(found.parts):,}"},
        ),
    )  # fmt: skip


def _months(request: HttpRequest) -> int:
    text = request.GET.get("months", "")
    months = int(text) if text.isascii() and text.isdigit() and len(text) < 4 else forecast.MONTHS
    return min(max(months, 1), MOST_MONTHS)


@requires(Permission.SEE_MARGINS)
@require_GET
def owner_margin(request: HttpRequest, form: str = "") -> HttpResponseBase:
    """Show margins, the worst first, or send them."""
    _, today = now_and_today(request)
    found = margin.margin_review(today=today, branch_id=branch_of(request))
    rows, paging = page_of(request, found.sites, what=gettext("sites"), size=PAGE_SIZE)
    return render_or_export(
        request,
        "billing/owner_margin.html",
        {
            "found": found,
            "total": found.total,
            "rows": rows,
            "dearest": charts.dearest_sites(found.sites),
            "paging": paging,
        },
        form=form,
        sites=tables.MARGINS.of(
            rows, every=lambda: found.sites, total=found.total, file=f"margin by site {today:%Y-%m-%d}"
        ),
    )


@requires(Permission.SEE_MARGINS)
@require_GET
def site_costs(request: HttpRequest, code: str) -> HttpResponseBase:
    """Show the rows behind what a site cost."""
    _, today = now_and_today(request)
    site = get_object_or_404(of_own_branch(request, Site.objects.select_related("customer")), code=code)
    found = margin.site_costs(site, today=today)
    return render_or_export(
        request,
        "billing/owner_site_costs.html",
        {"site": site, "found": found},
        labour=tables.LABOUR.of(found.labour, file=f"labour at {code}"),
        drive=tables.DRIVES.of(found.drive, file=f"drive to {code}"),
        parts=tables.PARTS_PUT_IN.of(found.parts, file=f"parts at {code}"),
    )
