"""Ending a month and handing its entries over to the books."""

from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils.translation import gettext
from django.views.decorators.http import require_GET, require_POST

from scheduling.forms import month_of
from scheduling.models import InvoiceBatch
from scheduling.queries import invoices as queries
from scheduling.services.month_end import end_month
from scheduling.views import list_columns
from scheduling.views.downloads import ListFile, page_or_file
from scheduling.views.edge import now_and_today
from scheduling.views.invoice_file import COLUMNS, csv_text
from scheduling.workbook.paid_sheet import PAID_LINES
from shared.access import requires
from shared.errors import CannotDo
from shared.heavy_posts import is_heavy
from shared.periods import add_months, month_start
from shared.roles import Permission
from shared.told import told, written


@requires(Permission.SEE_REVENUE)
@require_GET
def invoices(request: HttpRequest) -> HttpResponse:
    """Show batches and what waits for the next."""
    _, today = now_and_today(request)
    found = queries.invoices(today)
    return page_or_file(
        request,
        "scheduling/owner_invoices.html",
        {
            "found": found,
            "columns": COLUMNS.items(),
            "paid_columns": PAID_LINES.columns,
            "last_month": add_months(month_start(today), -1),
        },
        batches=ListFile("batches", list_columns.BATCHES, lambda: found.batches),
        files=ListFile("files of paid lines", list_columns.PAID_FILES, lambda: found.files),
    )


@requires(Permission.CORRECT_MONEY)
@require_POST
@is_heavy
def end_of_month(request: HttpRequest) -> HttpResponse:
    """Close a month, with the open ones before it, and hand its entries over."""
    now, _ = now_and_today(request)
    month = month_of(request.POST.get("month", ""))
    if month is None:
        messages.error(request, gettext("Choose a month, written as YYYY-MM."))
        return redirect("invoices")
    try:
        ended = end_month(month, currency=settings.CURRENCY, by=request.user, now=now)
    except CannotDo as error:
        messages.error(request, told(str(error)))
        return redirect("invoices")
    if ended.closed:
        closed = ", ".join(written(one, "%b %Y") for one in ended.closed)
        messages.success(request, gettext("Closed %(closed)s.") % {"closed": closed})
    if ended.batch:
        messages.success(
            request, gettext("Batch %(batch)s holds what was not handed over yet.") % {"batch": ended.batch}
        )
    return redirect("invoices")


@requires(Permission.SEE_REVENUE)
@require_GET
def invoice_batch_file(request: HttpRequest, pk: int) -> HttpResponse:
    """Return a batch's file; the same batch gives the same bytes."""
    batch = get_object_or_404(InvoiceBatch, pk=pk)
    response = HttpResponse(csv_text(batch), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="invoice lines {batch}.csv"'
    return response
