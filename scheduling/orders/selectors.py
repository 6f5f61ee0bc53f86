"""Orders as a list: chosen, sorted, paged, each as a plain row."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Final

from django.db.models import Prefetch, Q, QuerySet

from fleet.models import Site
from scheduling.models import STANDING_STATES, StopOrder, WorkOrder
from shared.periods import days_late

SORTS: Final[dict[str, tuple[str, ...]]] = {
    "due": ("window_to", "id"),
    "-due": ("-window_to", "-id"),
    "from": ("window_from", "id"),
    "-from": ("-window_from", "-id"),
    "site": ("site__name", "window_to", "id"),
    "-site": ("-site__name", "window_to", "id"),
    "kind": ("kind", "window_to", "id"),
    "-kind": ("-kind", "window_to", "id"),
    "minutes": ("minutes", "id"),
    "-minutes": ("-minutes", "-id"),
    "strength": ("strength", "id"),
    "-strength": ("-strength", "id"),
}
"""What a list can be sorted by; every order ends in the key, so that pages never overlap."""
PAGE_SIZE: Final = 50


@dataclass(frozen=True)
class OrderChoice:
    """Which orders, in which order. Empty means any."""

    kinds: tuple[str, ...] = ()
    states: tuple[str, ...] = tuple(STANDING_STATES)
    area: str = ""
    is_late: bool = False
    window_from: date | None = None
    window_to: date | None = None
    words: str = ""
    sort: str = "due"
    branch_id: int | None = None


@dataclass(frozen=True)
class OrderRow:
    """One line of the list."""

    pk: int
    number: str
    kind: str
    kind_word: str
    state: str
    state_word: str
    serial: str
    unit_label: str
    site_name: str
    site_code: str
    area: str
    customer: str
    why: str
    strength: float
    window_from: date
    best_by_on: date | None
    window_to: date
    likely_on: date | None
    days_late: int
    minutes: int
    flush_minutes: int
    parts: str
    promised_on: date | None
    promised_from: time | None
    promised_until: time | None
    placed_on: date | None
    technician: str
    raised_at: datetime
    withdrawn_because: str


@dataclass(frozen=True)
class OrderPage:
    """One page of the list."""

    rows: list[OrderRow]
    total: int
    page: int
    pages: int
    areas: list[str]


def choose(choice: OrderChoice, today: date) -> QuerySet[WorkOrder]:
    """Return the orders of a choice, sorted, as an unread query."""
    orders = WorkOrder.objects.all()
    if choice.branch_id:
        orders = orders.filter(site__branch_id=choice.branch_id)
    if choice.kinds:
        orders = orders.filter(kind__in=choice.kinds)
    if choice.states:
        orders = orders.filter(state__in=choice.states)
    if choice.area:
        orders = orders.filter(site__area=choice.area)
    if choice.is_late:
        orders = orders.late(today)
    if choice.window_from:
        orders = orders.filter(window_to__gte=choice.window_from)
    if choice.window_to:
        orders = orders.filter(window_from__lte=choice.window_to)
    if choice.words:
        orders = orders.filter(_has_words(choice.words))
    return orders.order_by(*SORTS.get(choice.sort, SORTS["due"]))


def order_page(choice: OrderChoice, *, today: date, page: int) -> OrderPage:
    """Return one page of orders. Six queries, however many rows."""
    orders = choose(choice, today)
    total = orders.order_by().count()
    pages = max(1, -(-total // PAGE_SIZE))
    page = min(max(page, 1), pages)
    # Sorting keys alone and reading fifty whole rows after is what keeps a large company's list quick.
    ids = list(orders.values_list("pk", flat=True)[(page - 1) * PAGE_SIZE : page * PAGE_SIZE])
    found = {order.pk: order for order in with_rows(WorkOrder.objects.filter(pk__in=ids))}
    areas = Site.objects.exclude(area="")
    if choice.branch_id:
        areas = areas.filter(branch_id=choice.branch_id)
    return OrderPage(
        rows=[as_row(found[pk], today) for pk in ids if pk in found],
        total=total,
        page=page,
        pages=pages,
        areas=list(areas.order_by("area").values_list("area", flat=True).distinct()),
    )


def every_row(choice: OrderChoice, today: date) -> Iterator[OrderRow]:
    """Yield all rows of a choice for a download, in chunks."""
    for order in with_rows(choose(choice, today)).iterator(chunk_size=2000):
        yield as_row(order, today)


def with_rows(orders: QuerySet[WorkOrder]) -> QuerySet[WorkOrder]:
    """Read beside each order what ``as_row`` needs."""
    in_force = StopOrder.objects.filter(is_in_force=True).select_related("stop__route__technician")
    return orders.select_related("site__customer", "treatment_unit").prefetch_related(
        "needed_parts__kind", Prefetch("stops", queryset=in_force, to_attr="placed")
    )


def as_row(order: WorkOrder, today: date) -> OrderRow:
    """Return an order read by ``with_rows`` as a plain row."""
    placed = placed_of(order)
    is_standing = order.state in STANDING_STATES
    return OrderRow(
        pk=order.pk,
        number=number_of(order.pk),
        kind=order.kind,
        kind_word=order.get_kind_display(),
        state=order.state,
        state_word=order.get_state_display(),
        serial=order.treatment_unit.serial,
        unit_label=order.treatment_unit.label,
        site_name=order.site.name,
        site_code=order.site.code,
        area=order.site.area,
        customer=order.site.customer.name,
        why=order.why,
        strength=order.strength,
        window_from=order.window_from,
        best_by_on=order.best_by_on,
        window_to=order.window_to,
        likely_on=order.likely_on,
        days_late=days_late(order.window_to, today) if is_standing else 0,
        minutes=order.minutes,
        flush_minutes=order.flush_minutes,
        parts=", ".join(f"{part.quantity} × {part.kind.name}" for part in order.needed_parts.all()),
        promised_on=order.promised_on,
        promised_from=order.promised_from,
        promised_until=order.promised_until,
        placed_on=placed.stop.route.day if placed else None,
        technician=placed.stop.route.technician.name if placed else "",
        raised_at=order.raised_at,
        withdrawn_because=order.withdrawn_because,
    )


def number_of(pk: int) -> str:
    """Return an order's number as people say it."""
    return f"W{pk:06d}"


def placed_of(order: WorkOrder) -> StopOrder | None:
    return order.placed[0] if order.placed else None


def _has_words(words: str) -> Q:
    """Match an order's number, serial, site, customer or reason."""
    text = words.strip()
    number = text.upper().removeprefix("W")
    found = (
        Q(treatment_unit__serial__icontains=text)
        | Q(site__name__icontains=text)
        | Q(site__code__iexact=text)
        | Q(site__customer__name__icontains=text)
        | Q(why__icontains=text)
    )
    if number.isdigit() and len(number) <= 12:
        found |= Q(pk=int(number))
    return found
