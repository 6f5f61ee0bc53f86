"""Enters work and parts that no plan covers, and takes back what undone close-outs had earned."""

from collections import defaultdict
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Final

from django.conf import settings
from django.db.models import Exists, OuterRef, Q, Sum
from django.db.models.functions import TruncDate

from scheduling.models import CloseOut, EntryKind, OrderKind, Outcome, RevenueEntry, ServicePlan
from scheduling.services import plans
from scheduling.services.included_visits import is_included
from scheduling.services.plan_terms import limited_plans
from scheduling.services.revenue_months import BATCH, Months, RevenueReport, worded
from shared.money import to_cents
from shared.periods import add_months, local_day, month_start

WORK_PRICE_PER_HOUR: Final = Decimal("95.00")
"""Labour outside plans when the company sets none (WORK_PRICE_PER_HOUR). Our choice. [currency/h]"""


def enter_close_outs(report: RevenueReport, months: Months, through: date, now: datetime) -> None:
    """Enter work and parts that no plan covers. One-off work is outside every plan."""
    surely_covered = ServicePlan.objects.exclude(pk__in=ServicePlan.objects.filter(limited_plans())).filter(
        site=OuterRef("order__site"),
        treatment_unit__isnull=True,
        includes_parts=True,
        ends_on__isnull=True,
        starts_on__lt=OuterRef("utc_day"),
    )
    rows = (
        CloseOut.objects.filter(
            outcome__in=[Outcome.DONE, Outcome.BEDDING],
            undone_at__isnull=True,
            revenue_entries__isnull=True,
        )
        .annotate(utc_day=TruncDate("finished_at", tzinfo=UTC))
        .exclude(~Q(order__kind=OrderKind.ONE_OFF) & Exists(surely_covered))
        .select_related("order__site")
        .prefetch_related("parts__installed__kind")
        .order_by("pk")
    )
    site_plans: dict[int, list[ServicePlan]] = defaultdict(list)
    for plan in (
        ServicePlan.objects.filter(site__in=rows.values("order__site"))
        .order_by("pk")
        .prefetch_related("terms")
    ):
        site_plans[plan.site_id].append(plan)
    last = add_months(month_start(through), 1)
    fresh: list[RevenueEntry] = []
    for row in rows.iterator(chunk_size=500):
        done_on = local_day(row.finished_at, row.order.site.time_zone)
        if done_on < last:
            fresh += _close_out_entries(row, done_on, site_plans[row.order.site_id], months, now)
    RevenueEntry.objects.bulk_create(fresh, batch_size=BATCH)
    report.count(fresh)


def _close_out_entries(
    row: CloseOut, done_on: date, site_plans: list[ServicePlan], months: Months, now: datetime
) -> list[RevenueEntry]:
    covered = plans.cover(site_plans, row.order.treatment_unit_id, done_on)
    work_by = covered.work_by
    if work_by is not None and not is_included(work_by, done_on, row.order.site.time_zone):
        work_by = None
    is_one_off = row.order.kind == OrderKind.ONE_OFF
    lines: list[tuple[str, str, Decimal, str]] = []
    # A second flush belongs to the change it follows and is not charged again.
    if (is_one_off or work_by is None) and row.order.follows_id is None:
        amount = to_cents(_work_price() * row.minutes / 60)
        lines.append((EntryKind.WORK, "work", amount, f"{row.order}: {row.minutes} min of work"))
    if covered.parts_by is None:
        for change in row.parts.all():
            if change.installed is not None:
                kind = change.installed.kind
                lines.append((EntryKind.PARTS, f"part:{change.pk}", kind.price, f"{row.order}: {kind.name}"))
    entries = []
    for kind, cause, amount, text in lines:
        if not amount:
            continue
        placed, late = months.place(month_start(done_on))
        entries.append(
            RevenueEntry(
                kind=kind,
                cause_key=f"close_out:{row.pk}:{cause}",
                site_id=row.order.site_id,
                treatment_unit_id=row.order.treatment_unit_id,
                close_out=row,
                month=placed,
                amount=amount,
                text=worded(text, late),
                entered_at=now,
            )
        )
    return entries


def _work_price() -> Decimal:
    return Decimal(getattr(settings, "WORK_PRICE_PER_HOUR", WORK_PRICE_PER_HOUR))


def take_back_undone(report: RevenueReport, months: Months, now: datetime) -> None:
    """Correct what undone close-outs had earned to nothing, naming each entry."""
    undone = RevenueEntry.objects.filter(close_out__undone_at__isnull=False, corrects__isnull=True).annotate(
        corrected=Sum("corrections__amount")
    )
    taken_back = RevenueEntry.objects.filter(cause_key__startswith="undo:").values("corrects_id")
    fresh = []
    for entry in undone.exclude(pk__in=taken_back).order_by("pk"):
        stands = entry.amount + to_cents(entry.corrected or Decimal("0.00"))
        if not stands:
            continue
        placed, late = months.place(entry.month)
        fresh.append(
            RevenueEntry(
                kind=EntryKind.CORRECTION,
                cause_key=f"undo:{entry.pk}",
                site_id=entry.site_id,
                treatment_unit_id=entry.treatment_unit_id,
                close_out_id=entry.close_out_id,
                corrects=entry,
                month=placed,
                amount=-stands,
                text=worded(f"Close-out undone: {entry.text}", late),
                entered_at=now,
            )
        )
    RevenueEntry.objects.bulk_create(fresh, batch_size=BATCH)
    report.count(fresh)
