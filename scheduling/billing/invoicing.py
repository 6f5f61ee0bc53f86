"""Hands entries of closed months over to the books, each once, with taxes as lines of their own.

The end of a month in one go: enter, close, hand over; and the prices that rise. Safe to run again.
Tax rates by date: added, taken back while no invoice line rests on them, never changed.
Batches handed over to the books, and what waits for the next.
"""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Final

from django.db import transaction
from django.db.models import Count, Max, Q, Sum

from fleet.models import Person
from scheduling.billing import revenue
from scheduling.contracts import prices
from scheduling.models import (
    ClosedMonth,
    EntryKind,
    InvoiceBatch,
    InvoiceLine,
    PaidFile,
    PaidLine,
    RevenueEntry,
    TaxRate,
)
from shared.errors import CannotDo
from shared.messages import message
from shared.money import to_cents
from shared.periods import add_months, month_start

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
            message("{month:%Y-%m} is still open.", month=is_open.month),
            remedy=message("Close {month:%Y-%m} first.", month=is_open.month),
            field="through",
        )
    rows = list(
        entries.select_related("site__customer", "corrects").order_by(
            "site__customer__code", "site__code", "month", "id"
        )
    )
    if not rows:
        raise CannotDo(
            message("Every entry up to {month:%Y-%m} was handed over already.", month=month),
            remedy=message("Download the earlier batch again; its file never changes."),
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
    line.text = message(
        "{name} {percent:f} % on {amount}",
        name=rate.name,
        percent=rate.percent.normalize(),
        amount=entry.amount,
    )
    return line


ESCALATE_AHEAD_DAYS: Final = 92
"""Prices that escalators bring are written so long ahead, in time for a notice of 60 or 90 days. Ours."""


@dataclass(frozen=True)
class MonthEnd:
    """What came of it."""

    closed: list[date]
    batch: InvoiceBatch | None
    """None when nothing was left to hand over."""


@transaction.atomic
def end_month(
    month: date, *, currency: str, by: Person | None, now: datetime, is_handed_over: bool = True
) -> MonthEnd:
    """Close a month and the open ones before it, oldest first, and hand their entries over.

    Raises CannotDo for a month that is not over, or one that is closed with nothing left to hand over.
    """
    month = month_start(month)
    revenue.enter_revenue(through=month, now=now)
    was_closed = set(ClosedMonth.objects.values_list("month", flat=True))
    first = RevenueEntry.objects.order_by("month").values_list("month", flat=True).first() or month
    closed = []
    one = min(first, month)
    while one <= month:
        if one not in was_closed:
            revenue.close_month(one, by=by, now=now)
            closed.append(one)
        one = add_months(one, 1)
    batch = None
    if is_handed_over:
        try:
            batch = make_batch(through=month, currency=currency, by=by, now=now)
        except CannotDo:
            if not closed:
                raise
    return MonthEnd(closed, batch)


def raise_prices(*, today: date) -> prices.EscalationReport:
    """Write the prices that escalators bring in the coming months."""
    last = date.fromordinal(today.toordinal() + ESCALATE_AHEAD_DAYS)
    return prices.escalate(through=last, today=today)


@transaction.atomic
def add_rate(values: Mapping[str, object], *, from_on: date, by: Person | None, now: datetime) -> TaxRate:
    """Add a tax, or a new rate of one, from a day on. ``values`` are the other columns of ``TaxRate``.

    Raises CannotDo when the tax has a rate of that very day, or for a percentage outside 0 to 100.
    """
    code = str(values["code"])
    if not 0 <= values["percent"] <= 100:
        raise CannotDo(
            message("{percent} percent is no tax.", percent=values["percent"]),
            remedy=message("Give 0 to 100."),
            field="percent",
        )
    if TaxRate.objects.filter(code=code, from_on=from_on, taken_back_at__isnull=True).exists():
        raise CannotDo(
            message("{code} has a rate from {from_on} on already.", code=code, from_on=from_on),
            remedy=message("Take that one back first, or choose another day."),
            field="from_on",
        )
    return TaxRate.objects.create(**values, from_on=from_on, made_at=now, made_by=by)


@transaction.atomic
def take_back_rate(rate: TaxRate, *, by: Person | None, now: datetime) -> TaxRate:
    """Take a rate back; the row stays, with who took it back. Raises CannotDo when a batch has used it."""
    rate = TaxRate.objects.select_for_update().get(pk=rate.pk)
    if InvoiceLine.objects.filter(tax_rate=rate).exists():
        raise CannotDo(
            message(
                "{code} from {from_on} stands on lines that were handed over.",
                code=rate.code,
                from_on=rate.from_on,
            ),
            remedy=message("Add a rate from a later day; 0 percent ends a tax."),
        )
    if rate.taken_back_at is None:
        rate.taken_back_at, rate.taken_back_by = now, by
        rate.save(update_fields=["taken_back_at", "taken_back_by"])
    return rate


FILES_SHOWN: Final = 50


@dataclass(frozen=True)
class BatchRow:
    """One batch in the list."""

    pk: int
    name: str
    through: date
    made_at: datetime
    made_by: str
    entries: int
    taxes: int
    net: Decimal
    tax: Decimal
    lines: int
    paid_lines: int
    paid: Decimal
    newest_paid_on: date | None

    @property
    def open(self) -> Decimal:
        """What is not paid yet, tax included."""
        return self.net + self.tax - self.paid


@dataclass(frozen=True)
class PaidFileRow:
    """One file from the books."""

    pk: int
    name: str
    read_at: datetime
    read_by: str
    lines: int
    amount: Decimal
    taken_back_at: datetime | None


@dataclass(frozen=True)
class Invoices:
    """The page."""

    batches: list[BatchRow]
    files: list[PaidFileRow]
    newest_closed: date | None
    next_month: date | None
    """The oldest month that is over and not closed; None when all are."""
    waiting: int
    waiting_amount: Decimal


def invoices(today: date) -> Invoices:
    """Return batches, newest first, and what waits to be handed over. Six queries."""
    rows = InvoiceBatch.objects.select_related("made_by").annotate(
        entries=Count("lines", filter=Q(lines__tax_rate__isnull=True)),
        taxes=Count("lines", filter=Q(lines__tax_rate__isnull=False)),
        net=Sum("lines__amount", filter=Q(lines__tax_rate__isnull=True)),
        tax=Sum("lines__amount", filter=Q(lines__tax_rate__isnull=False)),
    )
    zero = Decimal("0.00")
    paid = {
        batch: (count, to_cents(total), newest)
        for batch, count, total, newest in PaidLine.objects.filter(counts=True)
        .values_list("line__batch")
        .annotate(count=Count("pk"), total=Sum("line__amount"), newest=Max("paid_on"))
        .order_by()
    }
    batches = [
        BatchRow(
            row.pk, str(row), row.through, row.made_at, str(row.made_by or ""), row.entries, row.taxes,
            to_cents(row.net or zero), to_cents(row.tax or zero), row.entries + row.taxes,
            *paid.get(row.pk, (0, zero, None)),
        )
        for row in rows.order_by("-pk")
    ]  # fmt: skip
    waiting = RevenueEntry.objects.filter(invoice_lines__isnull=True, month__lt=month_start(today))
    sums = waiting.aggregate(count=Count("pk"), total=Sum("amount"))
    newest = ClosedMonth.objects.order_by("-month").values_list("month", flat=True).first()
    first = RevenueEntry.objects.order_by("month").values_list("month", flat=True).first()
    following = add_months(newest, 1) if newest else first
    return Invoices(
        batches=batches,
        files=_files(),
        newest_closed=newest,
        next_month=following if following and following < month_start(today) else None,
        waiting=sums["count"],
        waiting_amount=to_cents(sums["total"] or zero),
    )


def _files() -> list[PaidFileRow]:
    files = PaidFile.objects.select_related("read_by").annotate(
        count=Count("lines"), amount=Sum("lines__line__amount")
    )
    return [
        PaidFileRow(
            row.pk, row.name, row.read_at, str(row.read_by or ""), row.count,
            to_cents(row.amount or Decimal(0)), row.taken_back_at,
        )
        for row in files.order_by("-pk")[:FILES_SHOWN]
    ]  # fmt: skip
