"""The file of a hand-over to the books: CSV with documented columns, the same every time."""

import csv
import io
from typing import Final

from django.utils.translation import gettext_lazy

from scheduling.models import InvoiceBatch, InvoiceLine
from scheduling.views.downloads import guarded

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


def csv_text(batch: InvoiceBatch) -> str:
    """Return a batch's file, made of nothing but its own unchanging lines."""
    file = io.StringIO()
    writer = csv.writer(file, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for line in batch.lines.order_by("number").iterator(chunk_size=2000):
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
