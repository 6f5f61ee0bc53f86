"""The owner's review: recurring revenue, what moved it, what is ahead, what is at risk, and the entries."""

from datetime import date
from typing import Final

from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.utils.translation import gettext, gettext_lazy
from django.views.decorators.http import require_GET

from scheduling import charts
from scheduling.forms import EntryFilterForm, ReviewFilterForm
from scheduling.queries import revenue
from scheduling.queries import revenue_entries as behind
from scheduling.queries.revenue_sites import ReviewChoice
from scheduling.views import list_columns
from scheduling.views.downloads import Column, ListFile, page_or_file, table_file
from scheduling.views.edge import branch_of, headers, now_and_today, page_number, paging
from shared.access import requires
from shared.periods import add_months, month_start
from shared.roles import Permission

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
    found = revenue.review(choice, today=today, page=page_number(request))
    filters = {"month": f"{choice.month:%Y-%m}", "words": choice.words, "at_risk": choice.only_at_risk}
    earlier, later = add_months(choice.month, -1), add_months(choice.month, 1)
    return page_or_file(
        request,
        "scheduling/revenue_review.html",
        {
            "found": found,
            "renewals": found.renewals[: revenue.RENEWALS_SHOWN],
            "form": ReviewFilterForm(filters),
            "headers": headers(request, TITLES, choice.sort),
            "paging": paging(
                request,
                page=found.page,
                pages=found.pages,
                total=found.site_total,
                size=revenue.PAGE_SIZE,
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
    return table_file(name, form, SITE_COLUMNS, revenue.every_site(choice, today))


@requires(Permission.SEE_REVENUE)
@require_GET
def revenue_entries(request: HttpRequest) -> HttpResponse:
    """Show the entries behind a number."""
    form = EntryFilterForm(request.GET)
    found = behind.entries(**form.asked(), branch_id=branch_of(request), page=page_number(request))
    return render(
        request,
        "scheduling/revenue_entries.html",
        {
            "form": form,
            "found": found,
            "query": request.GET.urlencode(),
            "paging": paging(
                request, page=found.page, pages=found.pages, total=found.count, size=behind.PAGE_SIZE,
                what=gettext("entries"),
            ),
        },
    )  # fmt: skip


@requires(Permission.SEE_REVENUE)
@require_GET
def entries_file(request: HttpRequest, form: str) -> HttpResponseBase:
    """Return the entries behind a number as CSV or XLSX."""
    asked = EntryFilterForm(request.GET).asked()
    found = behind.entries(**asked, branch_id=branch_of(request), page=None)
    return table_file("revenue entries", form, ENTRY_COLUMNS, found.rows)


def _choice(request: HttpRequest, today: date) -> ReviewChoice:
    form = ReviewFilterForm(request.GET)
    return form.choice(today=today, sort=request.GET.get("sort", "-recurring"), branch_id=branch_of(request))
