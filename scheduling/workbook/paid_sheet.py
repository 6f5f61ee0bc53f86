"""The file in which the books say what was paid."""

from typing import Final

from fleet.workbook.columns import Column, Kind, Sheet

PAID_LINES: Final = Sheet(
    "paid",
    "Invoice lines that were paid in full: one row a line, or one for a customer's lines in a batch.",
    (
        Column("batch", Kind.TEXT, "Batch as in the file handed over, e.g. B00007.", is_required=True,
               max_length=20, example="B00007"),
        Column("line", Kind.WHOLE, "Number of the line in the batch; blank: every line of the customer.",
               lowest=1, highest=2_000_000_000, example=12),
        Column("customer", Kind.TEXT, "Customer code; needed where line is blank.", max_length=40,
               example="K001"),
        Column("paid_on", Kind.DATE, "Day of payment.", is_required=True, is_past=True, example="2026-11-12"),
        Column("amount", Kind.MONEY, "What was paid, tax lines included; if given, it must be what is owed.",
               lowest=-9_999_999_999, highest=9_999_999_999, example="64.13"),
        Column("reference", Kind.TEXT, "Your number of the payment.", max_length=80, example="bank 2211"),
    ),
    key=("batch", "line", "customer"),
)  # fmt: skip
