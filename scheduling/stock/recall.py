"""A lot that must come back: every part of it, where it is or was, whom to ring, what lies in stock."""

from typing import Any, Final

from django.db.models import Count, QuerySet

from fleet.models import Part
from scheduling.models import StockLevel

LOTS_SHOWN: Final = 40


def recall_rows(lot: str, kind_code: str, branch_id: int | None) -> list[Part]:
    """Return every part of a lot, those in place first. One query; upper and lower case count the same."""
    if not lot.strip():
        return []
    parts = _of(Part.objects.filter(lot__iexact=lot.strip()), "treatment_unit__site", branch_id, kind_code)
    read = parts.select_related("kind", "position", "treatment_unit__site__customer")
    rows = read.order_by("treatment_unit__site__name", "treatment_unit__serial", "pk")
    return sorted(rows, key=lambda part: part.removed_at is not None)


def recall_stock(lot: str, kind_code: str, branch_id: int | None) -> QuerySet[StockLevel]:
    """Return where pieces of a lot lie that were not put in yet."""
    held = StockLevel.objects.filter(lot__iexact=lot.strip(), quantity__gt=0).exclude(lot="")
    return _of(held, "place", branch_id, kind_code).select_related("place", "kind").order_by("place__name")


def lots_in_place(branch_id: int | None) -> QuerySet[Any]:
    """Return the lots with most parts in place: ``lot``, ``kind__name`` and how many ``parts``."""
    lots = _of(Part.objects.in_place().exclude(lot=""), "treatment_unit__site", branch_id)
    counted = lots.values("lot", "kind__name").annotate(parts=Count("pk"))
    return counted.order_by("-parts", "lot")[:LOTS_SHOWN]


def _of(rows: QuerySet, place: str, branch_id: int | None, kind_code: str = "") -> QuerySet:
    if kind_code:
        rows = rows.filter(kind__code=kind_code)
    return rows.filter(**{f"{place}__branch_id": branch_id}) if branch_id else rows
