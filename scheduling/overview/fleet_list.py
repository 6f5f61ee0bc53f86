"""The fleet list: which treatment units, in which order, one page at a time or all as a file."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Final

from django.db.models import Count, F, Q, QuerySet

from fleet.models import Site, TreatmentUnit
from scheduling.models import WorkOrder

PAGE_SIZE: Final = 50
FILE_CHUNK: Final = 2000
_LAST = {"nulls_last": True}
SORTS: Final = {
    "serial": ("serial",),
    "-serial": ("-serial",),
    "site": ("site__name", "serial"),
    "-site": ("-site__name", "serial"),
    "due": (F("state__next_due_on").asc(**_LAST), "id"),
    "-due": (F("state__next_due_on").desc(**_LAST), "id"),
    "wear": (F("state__worst_wear").asc(**_LAST), "id"),
    "-wear": (F("state__worst_wear").desc(**_LAST), "id"),
    "flow": (F("state__flow_change").asc(**_LAST), "id"),
    "-flow": (F("state__flow_change").desc(**_LAST), "id"),
    "read": (F("state__last_read_at").asc(**_LAST), "id"),
    "-read": (F("state__last_read_at").desc(**_LAST), "id"),
}
"""What the list can be sorted by; each ends in something unique, so that pages never overlap."""
_FIELDS: Final = (
    "id", "serial", "label", "site__code", "site__name", "site__area", "site__customer__name",
    "state__readiness", "state__owed_flush", "state__worst_wear", "state__next_due_on",
    "state__is_decaying", "state__pattern", "state__flow_change", "state__permeate_gal_per_day",
    "state__is_design_duty", "state__last_read_at",
)  # fmt: skip


@dataclass(frozen=True)
class FleetChoice:
    """Which treatment units. Empty means any."""

    words: str = ""
    readiness: str = ""
    area: str = ""
    due_within_days: int | None = None
    is_decaying: bool = False
    silent_days: int | None = None
    sort: str = "due"
    branch_id: int | None = None


@dataclass(frozen=True)
class FleetPage:
    """One page of the list."""

    rows: list[dict]
    total: int
    page: int
    pages: int


def choose(choice: FleetChoice, now: datetime, today: date) -> QuerySet[TreatmentUnit]:
    """Return the treatment units of a choice, sorted, as an unread query."""
    units = TreatmentUnit.objects.filter(retired_on__isnull=True)
    if choice.branch_id:
        units = units.filter(site__branch_id=choice.branch_id)
    for word in choice.words.split()[:6]:
        units = units.filter(_has_word(word))
    if choice.readiness:
        units = units.filter(state__readiness=choice.readiness)
    if choice.area:
        units = units.filter(site__in=Site.objects.filter(area=choice.area))
    if choice.due_within_days is not None:
        units = units.filter(state__next_due_on__lte=today + timedelta(days=choice.due_within_days))
    if choice.is_decaying:
        units = units.filter(state__is_decaying=True)
    if choice.silent_days is not None:
        before = now - timedelta(days=choice.silent_days)
        units = units.filter(Q(state__last_read_at__lt=before) | Q(state__last_read_at=None))
    return units.order_by(*SORTS.get(choice.sort, SORTS["due"]))


def fleet_page(choice: FleetChoice, *, now: datetime, today: date, page: int) -> FleetPage:
    """Return one page of the list. At most four queries, however many rows."""
    # Sorting keys alone and reading fifty whole rows after is what keeps 100,000 units quick.
    found = choose(choice, now, today).values_list("id", flat=True)
    if choice.words:
        # Words are looked for in every row, which costs more than all keys: once, not again for the count.
        found = list(found)
    total = len(found) if choice.words else found.order_by().count()
    pages = max(1, -(-total // PAGE_SIZE))
    page = min(max(page, 1), pages)
    ids = list(found[(page - 1) * PAGE_SIZE : page * PAGE_SIZE])
    return FleetPage(rows_of(ids), total, page, pages)


def fleet_rows(choice: FleetChoice, *, now: datetime, today: date) -> Iterator[dict]:
    """Yield every row of a choice, for a file."""
    ids = list(choose(choice, now, today).values_list("id", flat=True))
    for start in range(0, len(ids), FILE_CHUNK):
        yield from rows_of(ids[start : start + FILE_CHUNK])


def areas(branch_id: int | None) -> list[str]:
    """Return the areas sites lie in, by name."""
    sites = Site.objects.exclude(area="")
    if branch_id:
        sites = sites.filter(branch_id=branch_id)
    return list(sites.order_by("area").values_list("area", flat=True).distinct())


def _has_word(word: str) -> Q:
    sites = Site.objects.filter(
        Q(name__icontains=word) | Q(code__icontains=word) | Q(customer__name__icontains=word)
    )
    return Q(serial__icontains=word) | Q(label__icontains=word) | Q(site__in=sites)


def rows_of(ids: list[int]) -> list[dict]:
    """Return rows of the list in the order of the ids, by field. Two queries."""
    found = {row["id"]: row for row in TreatmentUnit.objects.filter(id__in=ids).values(*_FIELDS)}
    orders = WorkOrder.objects.open().filter(treatment_unit__in=ids)
    counts = orders.order_by().values("treatment_unit").annotate(n=Count("id"))
    standing = dict(counts.values_list("treatment_unit", "n"))
    return [found[unit_id] | {"standing_orders": standing.get(unit_id, 0)} for unit_id in ids]
