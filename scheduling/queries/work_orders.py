"""What the work-order pages show: a list by filter, sort and page, and one order with what belongs to it."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Final

from django.db.models import Prefetch, Q, QuerySet
from django.utils import timezone

from fleet.models import Site
from scheduling.models import (
    STANDING_STATES,
    CloseOut,
    StepSheet,
    StockLevel,
    StopOrder,
    WorkOrder,
    WorkOrderEvent,
)
from scheduling.queries.figures import Figure, figures

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
FAR_PAST: Final = 3.0
"""Wear beyond this says no more than “far past”, as findings have it."""


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
    window_to: date
    likely_on: date | None
    days_late: int
    minutes: int
    flush_minutes: int
    parts: str
    promised_on: date | None
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


@dataclass(frozen=True)
class NeededPart:
    """A part an order needs and where it lies."""

    code: str
    name: str
    quantity: int
    where: str


@dataclass(frozen=True)
class EventRow:
    """One line of an order's history."""

    at: datetime
    what: str
    by: str
    detail: str


@dataclass(frozen=True)
class CloseOutRow:
    """One close-out of an order."""

    pk: int
    finished_at: datetime
    technician: str
    outcome: str
    minutes: int
    note: str
    skipped: list[str]
    undone_at: datetime | None
    undone_because: str
    can_undo: bool
    photo_pks: list[int]


@dataclass(frozen=True)
class StepRow:
    """One step as its sheet has it."""

    code: str
    text: str
    is_hazard_control: bool


@dataclass(frozen=True)
class OrderSheet:
    """One order with everything its page shows."""

    row: OrderRow
    numbers: list[Figure]
    limits: list[tuple[str, str, date | None]]
    position: str
    part_name: str
    skills: list[str]
    preferred: str
    parts: list[NeededPart]
    cautions: list[str]
    steps: list[StepRow]
    sheet_version: int | None
    events: list[EventRow]
    close_outs: list[CloseOutRow]
    follows: OrderRow | None
    readiness: str
    readiness_word: str
    is_standing: bool
    early_on: date
    route_pk: int | None
    same_site: list[OrderRow] = field(default_factory=list)


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
        orders = orders.filter(state__in=STANDING_STATES, window_to__lt=today)
    if choice.window_from:
        orders = orders.filter(window_to__gte=choice.window_from)
    if choice.window_to:
        orders = orders.filter(window_from__lte=choice.window_to)
    if choice.words:
        orders = orders.filter(_has_words(choice.words))
    return orders.order_by(*SORTS.get(choice.sort, SORTS["due"]))


def order_page(choice: OrderChoice, *, today: date, page: int) -> OrderPage:
    """Return one page of orders. Five queries, however many rows."""
    orders = choose(choice, today)
    total = orders.count()
    pages = max(1, -(-total // PAGE_SIZE))
    page = min(max(page, 1), pages)
    cut = orders[(page - 1) * PAGE_SIZE : page * PAGE_SIZE]
    areas = Site.objects.exclude(area="")
    if choice.branch_id:
        areas = areas.filter(branch_id=choice.branch_id)
    return OrderPage(
        rows=[as_row(order, today) for order in with_rows(cut)],
        total=total,
        page=page,
        pages=pages,
        areas=list(areas.order_by("area").values_list("area", flat=True).distinct()),
    )


def every_row(choice: OrderChoice, today: date) -> Iterator[OrderRow]:
    """Yield all rows of a choice for a download, in chunks."""
    for order in with_rows(choose(choice, today)).iterator(chunk_size=2000):
        yield as_row(order, today)


def order_sheet(
    pk: int, *, today: date, branch_id: int | None, is_metric: bool, sees_stock: bool
) -> OrderSheet | None:
    """Return everything about one order, or None when there is none in this branch."""
    orders = with_rows(WorkOrder.objects.filter(pk=pk))
    if branch_id:
        orders = orders.filter(site__branch_id=branch_id)
    order = orders.select_related(
        "site__customer", "treatment_unit__state", "part__kind", "part__position",
        "preferred_technician", "follows",
    ).first()  # fmt: skip
    if order is None:
        return None
    sheet = StepSheet.objects.filter(kind=order.kind, is_current=True).first()
    state = getattr(order.treatment_unit, "state", None)
    placed = _placed(order)
    beside = WorkOrder.objects.standing().filter(site_id=order.site_id).exclude(pk=pk).order_by("window_to")
    return OrderSheet(
        row=as_row(order, today),
        numbers=figures(order.numbers, is_metric=is_metric),
        limits=_limits(order.numbers),
        position=order.part.position.code if order.part else "",
        part_name=order.part.kind.name if order.part else "",
        skills=[skill.name for skill in order.skills.all()],
        preferred=order.preferred_technician.name if order.preferred_technician else "",
        parts=_needed(order, sees_stock),
        cautions=list(sheet.cautions) if sheet else [],
        steps=[_step(step) for step in sheet.steps] if sheet else [],
        sheet_version=sheet.version if sheet else None,
        events=_events(pk),
        close_outs=_close_outs(pk, today),
        follows=as_row(with_rows(WorkOrder.objects.filter(pk=order.follows_id)).get(), today)
        if order.follows_id
        else None,
        readiness=state.readiness if state else "",
        readiness_word=state.get_readiness_display() if state else "Never assessed",
        is_standing=order.state in STANDING_STATES,
        early_on=min(order.window_from, order.likely_on or order.window_from),
        route_pk=placed.stop.route_id if placed else None,
        same_site=[as_row(other, today) for other in with_rows(beside[:8])],
    )


def with_rows(orders: QuerySet[WorkOrder]) -> QuerySet[WorkOrder]:
    """Read beside each order what ``as_row`` needs."""
    in_force = StopOrder.objects.filter(is_in_force=True).select_related("stop__route__technician")
    return orders.select_related("site__customer", "treatment_unit").prefetch_related(
        "needed_parts__kind", Prefetch("stops", queryset=in_force, to_attr="placed")
    )


def as_row(order: WorkOrder, today: date) -> OrderRow:
    """Return an order read by ``with_rows`` as a plain row."""
    placed = _placed(order)
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
        window_to=order.window_to,
        likely_on=order.likely_on,
        days_late=max(0, (today - order.window_to).days) if is_standing else 0,
        minutes=order.minutes,
        flush_minutes=order.flush_minutes,
        parts=", ".join(f"{part.quantity} × {part.kind.name}" for part in order.needed_parts.all()),
        promised_on=order.promised_on,
        placed_on=placed.stop.route.day if placed else None,
        technician=placed.stop.route.technician.name if placed else "",
        raised_at=order.raised_at,
        withdrawn_because=order.withdrawn_because,
    )


def number_of(pk: int) -> str:
    """Return an order's number as people say it."""
    return f"W{pk:06d}"


def _placed(order: WorkOrder) -> StopOrder | None:
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


def _limits(numbers: dict) -> list[tuple[str, str, date | None]]:
    """Return limit, share used and day reached, worst first."""
    limits = sorted(numbers.get("limits", {}).items(), key=lambda item: -(item[1].get("wear") or 0))
    return [
        (name.replace("_", " "), _share(limit.get("wear") or 0), _day(limit.get("due_on")))
        for name, limit in limits
    ]


def _share(wear: float) -> str:
    """Say how far a limit is used up, without false precision past it."""
    return "far past" if wear >= FAR_PAST else f"{wear:.0%}"


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


def _needed(order: WorkOrder, sees_stock: bool) -> list[NeededPart]:
    needed = list(order.needed_parts.all())
    lying: dict[int, list[str]] = {}
    if sees_stock and needed:
        levels = StockLevel.objects.filter(kind_id__in=[part.kind_id for part in needed], quantity__gt=0)
        for level in levels.select_related("place").order_by("place__name", "lot"):
            lot = f" (lot {level.lot})" if level.lot else ""
            lying.setdefault(level.kind_id, []).append(f"{level.quantity} at {level.place.name}{lot}")
    return [
        NeededPart(part.kind.code, part.kind.name, part.quantity, "; ".join(lying.get(part.kind_id, [])))
        for part in needed
    ]


def _step(step: dict) -> StepRow:
    return StepRow(step.get("code", ""), step.get("text", ""), bool(step.get("is_hazard_control")))


def _events(order_id: int) -> list[EventRow]:
    events = WorkOrderEvent.objects.filter(order_id=order_id).select_related("by").order_by("-at", "-id")
    return [
        EventRow(
            at=event.at,
            what=event.what.replace("_", " "),
            by=str(event.by) if event.by else "Tapward",
            detail=event.detail,
        )
        for event in events[:200]
    ]


def _close_outs(order_id: int, today: date) -> list[CloseOutRow]:
    rows = CloseOut.objects.filter(order_id=order_id).select_related("technician").prefetch_related("photos")
    return [
        CloseOutRow(
            pk=row.pk,
            finished_at=row.finished_at,
            technician=row.technician.name,
            outcome=row.get_outcome_display(),
            minutes=row.minutes,
            note=row.note,
            skipped=[
                f"{step.get('code', '')}: {step['skipped_because']}"
                for step in row.steps
                if step.get("skipped_because")
            ],
            undone_at=row.undone_at,
            undone_because=row.undone_because,
            can_undo=row.undone_at is None and timezone.localdate(row.received_at) == today,
            photo_pks=sorted(photo.pk for photo in row.photos.all()),
        )
        for row in rows
    ]
