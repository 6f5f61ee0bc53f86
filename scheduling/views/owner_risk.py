"""Recurring revenue at risk today, and what being late with carbon costs."""

from datetime import datetime
from typing import Final

from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.utils.translation import gettext
from django.views.decorators.http import require_GET

from scheduling.queries import revenue_risk
from scheduling.views import list_columns
from scheduling.views.downloads import Column, ListFile, page_or_file, table_file
from scheduling.views.edge import branch_of, now_and_today, page_number, paging
from scheduling.views.kept_reviews import kept_review
from shared.access import requires
from shared.roles import Permission, may

PAGE_SIZE: Final = 50
LATE_SHOWN: Final = 30
COLUMNS: Final = [
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
        "scheduling/owner_risk.html",
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
    return table_file("revenue at risk", form, COLUMNS, _risk(request)[0].sites)


def _risk(request: HttpRequest) -> tuple[revenue_risk.RiskReview, datetime | None]:
    """Return what is at risk, and since when it is kept."""
    _, today = now_and_today(request)
    with_costs = may(request.user.role, Permission.SEE_MARGINS)
    found = kept_review(
        request, f"risk:{with_costs}",
        lambda: revenue_risk.risk_review(today=today, branch_id=branch_of(request), with_costs=with_costs),
    )  # fmt: skip
    return found.review, found.as_of
