"""Hands entries of closed months over to the books, each once, with taxes as lines of their own.

The end of a month in one go: enter, close, hand over; and the prices that rise. Safe to run again.
Tax rates by date: added, taken back while no invoice line rests on them, never changed.
Batches handed over to the books, and what waits for the next.
"""

from collections.abc import Mapping
from copy import copy
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any, Final

from django.db import transaction
from django.db.models import Count, Max, Q, Sum

from fleet.models import Customer, Person
from fleet.register.sites import payers
from scheduling.billing import revenue
from scheduling.contracts import prices
from scheduling.contracts.plan_columns import of_branch
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
from shared.errors import DomainError
from shared.messages import message
from shared.money import to_cents
from shared.periods import add_months, month_start, months_between

BATCH: Final = 2000
ZERO: Final = Decimal("0.00")
FALLS_ON: Final = {
    EntryKind.PLAN: "falls_on_plans",
    EntryKind.WORK: "falls_on_work",
    EntryKind.PARTS: "falls_on_parts",
}
"""Which entries a tax falls on; a correction or credit is taxed like the entry it names."""


def _rates_on(rates: list[TaxRate], kind: str, area: str, month: date) -> list[TaxRate]:
    """Return the rates, of those in order of code and day, on an entry of a kind, month and site's area."""
    newest = {rate.code: rate for rate in rates if rate.from_on <= month}
    falls_on = FALLS_ON.get(kind, "falls_on_work")
    return [
        rate
        for rate in newest.values()
        if rate.percent and getattr(rate, falls_on) and rate.area in ("", area)
    ]


@transaction.atomic
def make_batch(*, through: date, currency: str, by: Person | None, now: datetime) -> InvoiceBatch:
    """Hand over every entry up to a month that no batch holds yet.

    The month and those before it that have entries must be closed, so that nothing is added behind the
    books' back. Raises DomainError when one is open, or when nothing is left to hand over.
    """
    month = through.replace(day=1)
    entries = RevenueEntry.objects.filter(month__lte=month, invoice_lines__isnull=True)
    is_open = entries.exclude(month__in=ClosedMonth.objects.values("month")).order_by("month").first()
    if is_open is not None:
        raise DomainError(
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
        raise DomainError(
            message("Every entry up to {month:%Y-%m} was handed over already.", month=month),
            remedy=message("Download the earlier batch again; its file never changes."),
        )
    former = payers(sorted({entry.site_id for entry in rows}))
    batch = InvoiceBatch.objects.create(through=month, made_at=now, made_by=by, currency=currency)
    rates = list(TaxRate.objects.filter(taken_back_at__isnull=True).order_by("code", "from_on"))
    InvoiceLine.objects.bulk_create(_lines(batch, rows, rates, former), batch_size=BATCH)
    return batch


def _lines(
    batch: InvoiceBatch,
    entries: list[RevenueEntry],
    rates: list[TaxRate],
    former: dict[int, list[tuple[date, Customer]]],
) -> list[InvoiceLine]:
    lines: list[InvoiceLine] = []
    for entry in entries:
        for until_on, customer in former.get(entry.site_id, ()):
            if entry.month < until_on:
                # Earned in a month that began under the former customer.
                entry.site = copy(entry.site)
                entry.site.customer = customer
                break
        lines.append(_line(batch, len(lines) + 1, entry))
        kind = entry.corrects.kind if entry.corrects else entry.kind
        for rate in _rates_on(rates, kind, entry.site.area, entry.month):
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


MOST_MONTHS: Final = 60
"""A month end that would close more starts at a mistyped day of some plan. *Ours.*"""


@dataclass(frozen=True)
class OpenMonth:
    """A month that a month end would close."""

    month: date
    entries: int
    amount: Decimal


def months_to_close(month: date, *, now: datetime) -> list[OpenMonth]:
    """Return what ending a month would close, oldest first, with all that is due entered; writes nothing."""
    with transaction.atomic():
        revenue.refuse_running(month_start(month), now)
        revenue.enter_revenue(through=month_start(month), now=now)
        rows = RevenueEntry.objects.filter(month__lte=month).order_by().values("month")
        found = {
            row["month"]: OpenMonth(row["month"], row["count"], to_cents(row["total"]))
            for row in rows.annotate(count=Count("pk"), total=Sum("amount"))
        }
        transaction.set_rollback(True)
    wanted = _open_months(month, min(found, default=month))
    return [found.get(each) or OpenMonth(each, 0, ZERO) for each in wanted]


def _open_months(month: date, first: date) -> list[date]:
    was_closed = set(ClosedMonth.objects.values_list("month", flat=True))
    month = month_start(month)
    return [each for each in months_between(min(first, month), month) if each not in was_closed]


@transaction.atomic
def end_month(
    month: date,
    *,
    currency: str,
    by: Person | None,
    now: datetime,
    is_handed_over: bool = True,
    months: int | None = None,
) -> MonthEnd:
    """Close a month and the open ones before it, oldest first, and hand their entries over.

    ``months``: how many the person was shown and said yes to; None where nobody is asked. Raises DomainError
    for a month that is not over, one that is closed with nothing left to hand over, more than a year at once,
    or another number of months than was said yes to.
    """
    month = month_start(month)
    if month not in ClosedMonth.objects.values_list("month", flat=True):
        revenue.refuse_running(month, now)
    revenue.enter_revenue(through=month, now=now)
    first = RevenueEntry.objects.order_by("month").values_list("month", flat=True).first() or month
    wanted = _open_months(month, first)
    if len(wanted) > MOST_MONTHS:
        raise DomainError(
            message(
                "{first:%Y-%m} to {last:%Y-%m} are {count} open months.",
                first=wanted[0], last=wanted[-1], count=len(wanted),
            ),
            remedy=message(
                "At most {most} are closed at once. Look at the entries of the first; if they are right, end "
                "{last:%Y-%m} first.",
                most=MOST_MONTHS, last=wanted[MOST_MONTHS - 1],
            ),
            field="month",
        )  # fmt: skip
    if months is not None and len(wanted) > 1 and len(wanted) != months:
        raise DomainError(
            message("This closes {count} months, not {months}.", count=len(wanted), months=months),
            remedy=message("Look at the months and say yes to all of them."),
            field="months",
        )
    closed = []
    for each in wanted:
        revenue.close_month(each, by=by, now=now)
        closed.append(each)
    batch = None
    if is_handed_over:
        try:
            batch = make_batch(through=month, currency=currency, by=by, now=now)
        except DomainError:
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

    Raises DomainError when the tax has a rate of that very day, or for a percentage outside 0 to 100.
    """
    code = str(values["code"])
    if not 0 <= values["percent"] <= 100:
        raise DomainError(
            message("{percent} percent is no tax.", percent=values["percent"]),
            remedy=message("Give 0 to 100."),
            field="percent",
        )
    if TaxRate.objects.filter(code=code, from_on=from_on, taken_back_at__isnull=True).exists():
        raise DomainError(
            message("{code} has a rate from {from_on} on already.", code=code, from_on=from_on),
            remedy=message("Take that one back first, or choose another day."),
            field="from_on",
        )
    return TaxRate.objects.create(**values, from_on=from_on, made_at=now, made_by=by)


@transaction.atomic
def void_rate(rate: TaxRate, *, by: Person | None, now: datetime) -> TaxRate:
    """Take a rate back; the row stays, with who took it back. Raises DomainError when a batch has used it."""
    TaxRate.objects.select_for_update().get(pk=rate.pk)
    if InvoiceLine.objects.filter(tax_rate=rate).exists():
        raise DomainError(
            message(
                "{code} from {from_on} stands on lines that were handed over.",
                code=rate.code,
                from_on=rate.from_on,
            ),
            remedy=message("Add a rate from a later day; 0 percent ends a tax."),
        )
    return rate.void(by=by, now=now)


FILES_SHOWN: Final = 50


def invoices(today: date, branch_id: int | None = None) -> dict[str, Any]:
    """Return batches and files of the books, newest first, and what waits to be handed over. Six queries.

    People of one branch see its lines of each batch, and no files, which pay lines of every branch.

    Batches carry ``entries``, ``taxes``, ``net``, ``tax``, ``paid``, ``paid_lines``, ``newest_paid_on`` and
    ``open``, tax included; files carry ``line_count`` and ``amount``. ``next_month`` is the oldest month that
    is over and not closed, None when all are.
    """
    own = Q(lines__entry__site__branch_id=branch_id) if branch_id else Q()
    is_tax = Q(lines__tax_rate__isnull=False) & own
    is_entry = Q(lines__tax_rate__isnull=True) & own
    batches = list(
        InvoiceBatch.objects.select_related("made_by").order_by("-pk").annotate(
            entries=Count("lines", filter=is_entry), taxes=Count("lines", filter=is_tax),
            net=Sum("lines__amount", filter=is_entry, default=ZERO),
            tax=Sum("lines__amount", filter=is_tax, default=ZERO),
        ).filter(**{"entries__gt": 0} if branch_id else {})
    )  # fmt: skip
    paid = PaidLine.objects.filter(counts=True).values_list("line__batch").order_by()
    if branch_id:
        paid = paid.filter(line__entry__site__branch_id=branch_id)
    by_batch = {
        batch: figures
        for batch, *figures in paid.annotate(
            count=Count("pk"), total=Sum("line__amount"), newest=Max("paid_on")
        )
    }
    for batch in batches:
        batch.paid_lines, total, batch.newest_paid_on = by_batch.get(batch.pk, (0, ZERO, None))
        # SQLite adds in floating point, so each sum is brought back to the cent.
        batch.net, batch.tax, batch.paid = to_cents(batch.net), to_cents(batch.tax), to_cents(total)
        batch.open = batch.net + batch.tax - batch.paid
    files = PaidFile.objects.select_related("read_by").order_by("-pk").annotate(
        line_count=Count("lines"), amount=Sum("lines__line__amount", default=ZERO)
    )[:FILES_SHOWN]  # fmt: skip
    files = files.none() if branch_id else files
    for file in files:
        file.amount = to_cents(file.amount)
    waiting = of_branch(RevenueEntry.objects.all(), "site", branch_id).filter(
        invoice_lines__isnull=True, month__lt=month_start(today)
    )
    sums = waiting.aggregate(count=Count("pk"), total=Sum("amount", default=ZERO))
    newest = ClosedMonth.objects.order_by("-month").values_list("month", flat=True).first()
    first = RevenueEntry.objects.order_by("month").values_list("month", flat=True).first()
    following = add_months(newest, 1) if newest else first
    return {
        "batches": batches,
        "files": files,
        "newest_closed": newest,
        "next_month": following if following and following < month_start(today) else None,
        "waiting": sums["count"],
        "waiting_amount": to_cents(sums["total"]),
    }
