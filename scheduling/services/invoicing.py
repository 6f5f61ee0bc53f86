"""Hands entries of closed months over to the books, each once, with taxes as lines of their own."""

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Final

from django.db import transaction

from fleet.models import Person
from scheduling.models import (
    ClosedMonth,
    EntryKind,
    InvoiceBatch,
    InvoiceLine,
    RevenueEntry,
    TaxRate,
)
from shared.errors import CannotDo
from shared.money import to_cents

BATCH: Final = 2000
FALLS_ON: Final = {
    EntryKind.PLAN: "falls_on_plans",
    EntryKind.WORK: "falls_on_work",
    EntryKind.PARTS: "falls_on_parts",
}
"""Which entries a tax falls on; a correction or credit is taxed like the entry it names."""


@dataclass(frozen=True)
class _Rates:
    """The taxes in force, by code and rising day."""

    by_code: dict[str, list[TaxRate]]

    @classmethod
    def read(cls) -> "_Rates":
        by_code: dict[str, list[TaxRate]] = defaultdict(list)
        for rate in TaxRate.objects.filter(taken_back_at__isnull=True).order_by("code", "from_on"):
            by_code[rate.code].append(rate)
        return cls(by_code)

    def on(self, kind: str, area: str, month: date) -> list[TaxRate]:
        """Return the rates on an entry of a kind, earned in a month, at a site of an area."""
        found = []
        for rates in self.by_code.values():
            in_force = [rate for rate in rates if rate.from_on <= month]
            if not in_force:
                continue
            rate = in_force[-1]
            falls = getattr(rate, FALLS_ON.get(kind, "falls_on_work"))
            if rate.percent and falls and rate.area in ("", area):
                found.append(rate)
        return found


@transaction.atomic
def make_batch(*, through: date, currency: str, by: Person | None, now: datetime) -> InvoiceBatch:
    """Hand over every entry up to a month that no batch holds yet.

    The month and those before it that have entries must be closed, so that nothing is added behind the
    books' back. Raises CannotDo when one is open, or when nothing is left to hand over.
    """
    month = through.replace(day=1)
    entries = RevenueEntry.objects.filter(month__lte=month, invoice_lines__isnull=True)
    is_open = entries.exclude(month__in=ClosedMonth.objects.values("month")).order_by("month").first()
    if is_open is not None:
        raise CannotDo(
            f"{is_open.month:%Y-%m} is still open.", remedy=f"Close {is_open.month:%Y-%m} first.",
            field="through",
        )  # fmt: skip
    rows = list(
        entries.select_related("site__customer", "corrects").order_by(
            "site__customer__code", "site__code", "month", "id"
        )
    )
    if not rows:
        raise CannotDo(
            f"Every entry up to {month:%Y-%m} was handed over already.",
            remedy="Download the earlier batch again; its file never changes.",
        )
    batch = InvoiceBatch.objects.create(through=month, made_at=now, made_by=by, currency=currency)
    InvoiceLine.objects.bulk_create(_lines(batch, rows, _Rates.read()), batch_size=BATCH)
    return batch


def _lines(batch: InvoiceBatch, entries: list[RevenueEntry], rates: _Rates) -> list[InvoiceLine]:
    lines: list[InvoiceLine] = []
    for entry in entries:
        lines.append(_line(batch, len(lines) + 1, entry))
        kind = entry.corrects.kind if entry.corrects else entry.kind
        for rate in rates.on(kind, entry.site.area, entry.month):
            amount = to_cents(entry.amount * rate.percent / 100)
            if amount:
                lines.append(_tax_line(batch, len(lines) + 1, entry, rate, amount))
    return lines


def _line(batch: InvoiceBatch, number: int, entry: RevenueEntry) -> InvoiceLine:
    site = entry.site
    return InvoiceLine(
        batch=batch,
        number=number,
        entry=entry,
        month=entry.month,
        customer_code=site.customer.code,
        customer_name=site.customer.name,
        site_code=site.code,
        site_name=site.name,
        kind=entry.kind,
        text=entry.text,
        amount=entry.amount,
    )


def _tax_line(
    batch: InvoiceBatch, number: int, entry: RevenueEntry, rate: TaxRate, amount: Decimal
) -> InvoiceLine:
    line = _line(batch, number, entry)
    line.kind, line.amount, line.tax_rate = "tax", amount, rate
    line.tax_code, line.tax_percent = rate.code, rate.percent
    line.text = f"{rate.name} {rate.percent.normalize():f} % on {entry.amount}"
    return line
