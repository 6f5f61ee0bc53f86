"""A lot that must come back: every part of it, where it is or was, whom to ring, what lies in stock."""

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from django.db.models import Count, QuerySet

from fleet.models import Part
from scheduling.models import StockLevel

LOTS_SHOWN: Final = 40


@dataclass(frozen=True)
class RecallRow:
    """One part of the lot, with the site and whom to tell."""

    kind: str
    kind_code: str
    lot: str
    part_serial: str
    is_in_place: bool
    installed_at: datetime
    removed_at: datetime | None
    unit_serial: str
    unit_label: str
    position: str
    site: str
    site_code: str
    address: str
    access_note: str
    customer: str
    phone: str
    email: str


@dataclass(frozen=True)
class RecallStock:
    """Pieces of the lot that were not put in yet."""

    place: str
    place_code: str
    kind: str
    quantity: int


@dataclass(frozen=True)
class LotRow:
    """One lot that parts in place have."""

    lot: str
    kind: str
    parts: int


def recall_rows(lot: str, kind_code: str, branch_id: int | None) -> list[RecallRow]:
    """Return every part of a lot, those in place first. One query; upper and lower case count the same."""
    parts = Part.objects.filter(lot__iexact=lot.strip()) if lot.strip() else Part.objects.none()
    if kind_code:
        parts = parts.filter(kind__code=kind_code)
    if branch_id:
        parts = parts.filter(treatment_unit__site__branch_id=branch_id)
    read = parts.select_related("kind", "position", "treatment_unit__site__customer")
    rows = [
        _row(part) for part in read.order_by("treatment_unit__site__name", "treatment_unit__serial", "pk")
    ]
    return sorted(rows, key=lambda row: not row.is_in_place)


def recall_stock(lot: str, kind_code: str, branch_id: int | None) -> list[RecallStock]:
    """Return where pieces of a lot lie."""
    held = StockLevel.objects.filter(lot__iexact=lot.strip(), quantity__gt=0).exclude(lot="")
    if kind_code:
        held = held.filter(kind__code=kind_code)
    if branch_id:
        held = held.filter(place__branch_id=branch_id)
    read = held.select_related("place", "kind").order_by("place__name")
    return [RecallStock(one.place.name, one.place.code, one.kind.name, one.quantity) for one in read]


def lots_in_place(branch_id: int | None) -> list[LotRow]:
    """Return the lots with most parts in place."""
    parts: QuerySet[Part] = Part.objects.in_place().exclude(lot="")
    if branch_id:
        parts = parts.filter(treatment_unit__site__branch_id=branch_id)
    counted = parts.values_list("lot", "kind__name").annotate(count=Count("pk")).order_by("-count", "lot")
    return [LotRow(lot, kind, count) for lot, kind, count in counted[:LOTS_SHOWN]]


def _row(part: Part) -> RecallRow:
    unit = part.treatment_unit
    site = unit.site
    return RecallRow(
        kind=part.kind.name,
        kind_code=part.kind.code,
        lot=part.lot,
        part_serial=part.serial,
        is_in_place=part.removed_at is None,
        installed_at=part.installed_at,
        removed_at=part.removed_at,
        unit_serial=unit.serial,
        unit_label=unit.label,
        position=part.position.code,
        site=site.name,
        site_code=site.code,
        address=site.address,
        access_note=site.access_note,
        customer=site.customer.name,
        phone=site.customer.phone,
        email=site.customer.email,
    )
