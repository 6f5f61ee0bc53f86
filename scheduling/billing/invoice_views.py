"""The file of a hand-over to the books: CSV with documented columns, the same every time.

Ending a month and handing its entries over to the books.
Taking in what the books say was paid, and taking such a file back.
Taxes by date, and what the owner may change of them.
"""

import csv
import io
import tempfile
from pathlib import Path
from typing import Final

from django.conf import settings
from django.contrib import messages
from django.db.models import Exists, OuterRef
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext, gettext_lazy
from django.views.decorators.http import require_GET, require_POST

from scheduling.billing import invoicing as queries
from scheduling.billing import payments
from scheduling.billing import tables as tables
from scheduling.billing.forms import TaxRateForm
from scheduling.billing.invoicing import MOST_MONTHS, end_month, months_to_close
from scheduling.billing.payments import PAID_LINES
from scheduling.contracts.plan_columns import of_branch
from scheduling.contracts.views import did
from scheduling.models import InvoiceBatch, InvoiceLine, PaidFile, TaxRate
from scheduling.pages.forms import month_of
from scheduling.pages.request_context import branch_of, now_and_today
from shared.access import requires
from shared.errors import DomainError
from shared.heavy_posts import rate_limited
from shared.periods import add_months, month_start
from shared.roles import Permission
from shared.table_files import guarded
from shared.tables import render_or_export
from shared.translation import translate, written

COLUMNS: Final[dict[str, str]] = {
    "batch": gettext_lazy("Number of the hand-over, e.g. B00007."),
    "line": gettext_lazy(
        "Number of the line in it, from 1 without gaps. Batch and line together never repeat."
    ),
    "entry": gettext_lazy(
        "Number of the revenue entry. Each entry stands once in all batches; empty on a tax line."
    ),
    "taxed_entry": gettext_lazy("On a tax line the entry that is taxed; otherwise empty."),
    "month": gettext_lazy("Month the amount belongs to, as YYYY-MM."),
    "customer": gettext_lazy("Customer code, to invoice by."),
    "customer_name": gettext_lazy("Name at the time of hand-over."),
    "site": gettext_lazy("Site code."),
    "site_name": gettext_lazy("Name at the time of hand-over."),
    "kind": gettext_lazy("plan, work, parts, credit, correction or tax."),
    "text": gettext_lazy("What it is for."),
    "amount": gettext_lazy(
        "Amount before tax, or the tax itself on a tax line; two decimals, a point, a minus in front."
    ),
    "currency": gettext_lazy("Three letters."),
    "tax": gettext_lazy("Code of the tax, on a tax line."),
    "tax_percent": gettext_lazy("Its rate in percent."),
}
"""Columns of the file, in order, with what each holds. Lines end in CR LF, text is UTF-8 with a mark. Text
that a spreadsheet might run as a formula has an apostrophe in front."""


def csv_text(batch: InvoiceBatch, branch_id: int | None = None) -> str:
    """Return a batch's file, or a branch's part of it, made of nothing but its own unchanging lines."""
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for line in of_branch(batch.lines.order_by("number"), "entry__site", branch_id).iterator(chunk_size=2000):
        writer.writerow(_cells(batch, line))
    return "\ufeff" + file.getvalue()


def _cells(batch: InvoiceBatch, line: InvoiceLine) -> list[object]:
    is_tax = line.tax_rate_id is not None
    return [
        str(batch),
        line.number,
        "" if is_tax else line.entry_id,
        line.entry_id if is_tax else "",
        f"{line.month:%Y-%m}",
        *(guarded(text) for text in (line.customer_code, line.customer_name, line.site_code, line.site_name)),
        line.kind,
        guarded(line.text),
        f"{line.amount:.2f}",
        batch.currency,
        guarded(line.tax_code),
        "" if line.tax_percent is None else f"{line.tax_percent:f}",
    ]


@requires(Permission.SEE_REVENUE)
@require_GET
def invoices(request: HttpRequest) -> HttpResponse:
    """Show batches and what waits for the next."""
    _, today = now_and_today(request)
    found = queries.invoices(today, branch_of(request))
    return render_or_export(
        request,
        "billing/owner_invoices.html",
        {
            "found": found,
            "columns": COLUMNS.items(),
            "paid_columns": PAID_LINES.columns,
            "last_month": add_months(month_start(today), -1),
        },
        batches=tables.BATCHES.of(found["batches"]),
        files=tables.PAID_FILES.of(found["files"]),
    )


@requires(Permission.CORRECT_MONEY)
@require_POST
@rate_limited
def end_of_month(request: HttpRequest) -> HttpResponse:
    """Close a month, with the open ones before it, and hand its entries over."""
    now, _ = now_and_today(request)
    month = month_of(request.POST.get("month", ""))
    if month is None:
        messages.error(request, gettext("Choose a month, written as YYYY-MM."))
        return redirect("invoices")
    asked = request.POST.get("months", "")
    months = int(asked) if asked.isascii() and asked.isdigit() and len(asked) < 5 else 1
    try:
        shown = months_to_close(month, now=now)
        if 1 < len(shown) <= MOST_MONTHS and len(shown) != months:
            context = {"months": shown, "month": month, "total": sum(one.amount for one in shown)}
            return render_or_export(
                request, "billing/owner_month_end.html", context, open_months=tables.OPEN_MONTHS.of(shown)
            )
        ended = end_month(month, currency=settings.CURRENCY, by=request.user, now=now, months=months)
    except DomainError as error:
        messages.error(request, translate(error))
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
    branch_id = branch_of(request)
    own = of_branch(InvoiceBatch.objects.all(), "lines__entry__site", branch_id).distinct()
    batch = get_object_or_404(own, pk=pk)
    response = HttpResponse(csv_text(batch, branch_id), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="invoice lines {batch}.csv"'
    return response


LARGEST_BYTES: Final = 10_000_000
PROBLEMS_SHOWN: Final = 200


@requires(Permission.CORRECT_MONEY)
@require_POST
@rate_limited
def read_paid_file(request: HttpRequest) -> HttpResponse:
    """Mark the lines of an uploaded file as paid, or show every row that is wrong."""
    now, _ = now_and_today(request)
    upload = request.FILES.get("file")
    if upload is None or not upload.name.lower().endswith((".csv", ".xlsx")) or upload.size > LARGEST_BYTES:
        messages.error(request, gettext("Choose a .csv or .xlsx file of at most 10 MB."))
        return redirect("invoices")
    try:
        report = _read(upload, request, now)
    except DomainError as error:
        messages.error(request, translate(error))
        return redirect("invoices")
    if report.problems:
        return render(
            request,
            "billing/owner_paid_problems.html",
            {
                "report": report,
                "shown": report.problems[:PROBLEMS_SHOWN],
                "left_out": max(0, len(report.problems) - PROBLEMS_SHOWN),
                "file_name": upload.name,
            },
            status=422,
        )
    messages.success(
        request,
        gettext("%(paid)s lines marked paid; %(unchanged)s stood so already.")
        % {"paid": f"{report.paid:,}", "unchanged": f"{report.unchanged:,}"},
    )
    return redirect("invoices")


def _read(upload, request: HttpRequest, now) -> payments.PaidReport:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / Path(upload.name).name
        with path.open("wb") as file:
            for chunk in upload.chunks():
                file.write(chunk)
        return payments.read_paid(path, by=request.user, now=now)


@requires(Permission.CORRECT_MONEY)
@require_POST
def take_back_paid_file(request: HttpRequest, pk: int) -> HttpResponse:
    """Make a file's lines unpaid again."""
    now, _ = now_and_today(request)
    file = payments.void(get_object_or_404(PaidFile, pk=pk), by=request.user, now=now)
    messages.success(request, gettext("%(name)s is void; its lines are unpaid again.") % {"name": file.name})
    return redirect("invoices")


@requires(Permission.SEE_REVENUE)
@require_GET
def tax_rates(request: HttpRequest) -> HttpResponse:
    """Show every rate, those taken back as well."""
    return _page(request, TaxRateForm(), 200)


@requires(Permission.CORRECT_MONEY)
@require_POST
def add_tax_rate(request: HttpRequest) -> HttpResponse:
    """Add a tax, or a new rate of one."""
    now, _ = now_and_today(request)
    form = TaxRateForm(request.POST)

    def add(data: dict) -> None:
        values = {name: value for name, value in data.items() if name != "from_on"}
        queries.add_rate(values, from_on=data["from_on"], by=request.user, now=now)

    if form.is_valid() and did(form, add):
        messages.success(
            request,
            gettext("%(code)s holds from %(from_on)s.")
            % {"code": form.cleaned_data["code"], "from_on": form.cleaned_data["from_on"]},
        )
        return redirect("tax_rates")
    return _page(request, form, 400)


@requires(Permission.CORRECT_MONEY)
@require_POST
def take_back_tax_rate(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a rate back that no batch has used; its row stays."""
    now, _ = now_and_today(request)
    rate = get_object_or_404(TaxRate, pk=pk)
    try:
        queries.void_rate(rate, by=request.user, now=now)
    except DomainError as error:
        messages.error(request, translate(error))
    else:
        messages.success(
            request,
            gettext("%(code)s from %(from_on)s on is void.") % {"code": rate.code, "from_on": rate.from_on},
        )
    return redirect("tax_rates")


def _page(request: HttpRequest, form: TaxRateForm, status: int) -> HttpResponse:
    used = InvoiceLine.objects.filter(tax_rate=OuterRef("pk"))
    rates = (
        TaxRate.objects.select_related("made_by", "taken_back_by")
        .annotate(is_used=Exists(used))
        .order_by("code", "-from_on", "-pk")
    )
    return render_or_export(
        request,
        "billing/owner_taxes.html",
        {"rates": rates, "form": form},
        status=status,
        rates=tables.TAX_RATES.of(rates),
    )
