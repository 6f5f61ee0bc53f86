"""Revenue entries behind a number."""

from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Final

from django.db.models import Count, Sum

from scheduling.models import RevenueEntry
from shared.money import to_cents
from shared.periods import month_start

NOTHING: Final = Decimal("0.00")
PAGE_SIZE: Final = 50


@dataclass(frozen=True)
class EntryRow:
    """One revenue entry."""

    pk: int
    month: date
    kind_word: str
    site_name: str
    site_code: str
    plan_code: str
    serial: str
    text: str
    amount: Decimal
    corrects: int | None


@dataclass(frozen=True)
class EntryPage:
    """Entries behind a number and their sum."""

    rows: list[EntryRow]
    total: Decimal
    count: int
    page: int
    pages: int


def entries(
    *,
    month: date | None,
    since: date | None = None,
    site_code: str,
    kind: str,
    branch_id: int | None,
    page: int | None,
) -> EntryPage:
    """Return the entries behind a number; ``page=None`` returns all of them.

    With ``since``, months from it up to ``month``.
    """
    found = RevenueEntry.objects.all()
    if since:
        found = found.filter(month__gte=month_start(since))
    if month:
        found = found.filter(**{"month__lte" if since else "month": month_start(month)})
    if site_code:
        found = found.filter(site__code=site_code)
    if kind:
        found = found.filter(kind=kind)
    if branch_id:
        found = found.filter(site__branch_id=branch_id)
    sums = found.aggregate(total=Sum("amount"), count=Count("id"))
    pages = max(1, -(-sums["count"] // PAGE_SIZE))
    rows = found.select_related("site", "plan", "treatment_unit").order_by("-month", "-id")
    if page is not None:
        page = min(max(page, 1), pages)
        rows = rows[(page - 1) * PAGE_SIZE : page * PAGE_SIZE]
    return EntryPage(
        rows=[_entry_row(entry) for entry in rows],
        total=to_cents(sums["total"] or NOTHING),
        count=sums["count"],
        page=page or 1,
        pages=pages,
    )


def _entry_row(entry: RevenueEntry) -> EntryRow:
    return EntryRow(
        pk=entry.pk,
        month=entry.month,
        kind_word=entry.get_kind_display(),
        site_name=entry.site.name,
        site_code=entry.site.code,
        plan_code=entry.plan.code if entry.plan else "",
        serial=entry.treatment_unit.serial if entry.treatment_unit else "",
        text=entry.text,
        amount=entry.amount,
        corrects=entry.corrects_id,
    )
