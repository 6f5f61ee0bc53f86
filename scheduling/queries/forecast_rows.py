"""What the forecast reads: parts in place with their dates, the usual drive, the usual one-off revenue."""

from datetime import date, timedelta
from decimal import Decimal
from typing import Final

import pandas as pd
from django.db.models import Avg, DurationField, ExpressionWrapper, F, Min, OuterRef, Q, Subquery, Sum

from fleet.models import Part, PartKind, PartState
from scheduling.models import EntryKind, RevenueEntry, Stop
from shared.money import to_cents
from shared.periods import add_months, month_start

DRIVE_MINUTES: Final = 20.0
"""Drive to a stop where no route of the past year tells it. Our choice. [min]"""
_FIELDS: Final = (
    "early_on", "likely_on", "late_on", "part__installed_at", "part__kind_id", "treatment_unit__site_id",
    "part_id",
)  # fmt: skip


def read_parts(branch_id: int | None) -> pd.DataFrame:
    """Return the parts in place with their dates and what their kind says. Two queries."""
    states = PartState.objects.filter(
        part__removed_at__isnull=True, part__treatment_unit__is_out_of_service=False
    )
    if branch_id:
        states = states.filter(treatment_unit__site__branch_id=branch_id)
    before = Part.objects.filter(
        position=OuterRef("part__position"), kind=OuterRef("part__kind"), removed_at__isnull=False
    ).order_by("-removed_at")
    stayed = ExpressionWrapper(F("removed_at") - F("installed_at"), output_field=DurationField())
    earlier = Subquery(before.annotate(stayed=stayed).values("stayed")[:1])
    rows = states.annotate(earlier=earlier).values_list(*_FIELDS, "earlier")
    names = ["early", "likely_on", "late", "installed", "kind_id", "site_id", "part_id", "earlier"]
    parts = pd.DataFrame(list(rows.order_by("pk")), columns=names, dtype=object)
    return parts.join(_read_kinds(branch_id), on="kind_id")


def _read_kinds(branch_id: int | None) -> pd.DataFrame:
    here = Q(levels__place__branch_id=branch_id) if branch_id else Q()
    kinds = PartKind.objects.annotate(in_stock=Sum("levels__quantity", filter=here, default=0)).order_by()
    names = [
        "pk",
        "code",
        "name",
        "cost",
        "change_minutes",
        "needs_flush",
        "flush_gal",
        "flush_gpm",
        "in_stock",
    ]
    return pd.DataFrame.from_records(list(kinds.values_list(*names)), columns=names, index="pk")


def names_of_parts(part_ids: list[int]) -> dict[int, tuple[str, str, str, str]]:
    """Return serial, position, site code and site name of parts."""
    rows = Part.objects.filter(pk__in=part_ids).values_list(
        "pk", "treatment_unit__serial", "position__code", "treatment_unit__site__code",
        "treatment_unit__site__name",
    )  # fmt: skip
    return {row[0]: row[1:] for row in rows}


def usual_drive(today: date, branch_id: int | None) -> float:
    """Return the mean drive to a stop on routes in force of the past year. [min]"""
    stops = Stop.objects.filter(
        route__is_in_force=True, route__day__range=(add_months(today, -12), today + timedelta(days=31))
    )
    if branch_id:
        stops = stops.filter(site__branch_id=branch_id)
    mean = stops.aggregate(mean=Avg("drive_minutes"))["mean"]
    return float(mean) if mean is not None else DRIVE_MINUTES


def usual_one_off(today: date, branch_id: int | None) -> Decimal:
    """Return the past year's mean month of work and parts outside plans."""
    this = month_start(today)
    found = RevenueEntry.objects.filter(
        kind__in=[EntryKind.WORK, EntryKind.PARTS], month__gte=add_months(this, -12), month__lt=this
    )
    if branch_id:
        found = found.filter(site__branch_id=branch_id)
    sums = found.aggregate(total=Sum("amount"), first=Min("month"))
    if not sums["total"]:
        return Decimal("0.00")
    months = (this.year - sums["first"].year) * 12 + this.month - sums["first"].month
    return to_cents(sums["total"] / months)
