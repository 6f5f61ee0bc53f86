"""One work order with everything its page shows."""

from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Final

from django.utils.translation import gettext

from scheduling.models import STANDING_STATES, CloseOut, StepSheet, StockLevel, WorkOrder, WorkOrderEvent
from scheduling.orders.selectors import OrderRow, as_row, placed_of, with_rows
from scheduling.pages.figures import Figure, figures
from shared.messages import message
from shared.periods import local_day

FAR_PAST: Final = 3.0
"""Wear beyond this says no more than “far past”, as findings have it."""


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
    route_pk: int | None
    same_site: list[OrderRow] = field(default_factory=list)


def order_sheet(
    pk: int, *, now: datetime, today: date, branch_id: int | None, is_metric: bool, sees_stock: bool
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
    placed = placed_of(order)
    beside = WorkOrder.objects.open().filter(site_id=order.site_id).exclude(pk=pk).order_by("window_to")
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
        close_outs=_close_outs(pk, order.site.time_zone, now),
        follows=as_row(with_rows(WorkOrder.objects.filter(pk=order.follows_id)).get(), today)
        if order.follows_id
        else None,
        readiness=state.readiness if state else "",
        readiness_word=state.get_readiness_display() if state else gettext("Never assessed"),
        is_standing=order.state in STANDING_STATES,
        route_pk=placed.stop.route_id if placed else None,
        same_site=[as_row(other, today) for other in with_rows(beside[:8])],
    )


def _limits(numbers: dict) -> list[tuple[str, str, date | None]]:
    """Return limit, share used and day reached, worst first."""
    limits = sorted(numbers.get("limits", {}).items(), key=lambda item: -(item[1].get("wear") or 0))
    return [
        (name.replace("_", " "), _share(limit.get("wear") or 0), _day(limit.get("due_on")))
        for name, limit in limits
    ]


def _share(wear: float) -> str:
    """Say how far a limit is used up, without false precision past it."""
    return gettext("far past") if wear >= FAR_PAST else f"{wear:.0%}"


def _day(text: str | None) -> date | None:
    return date.fromisoformat(text) if text else None


def _needed(order: WorkOrder, sees_stock: bool) -> list[NeededPart]:
    needed = list(order.needed_parts.all())
    lying: dict[int, list[str]] = {}
    if sees_stock and needed:
        levels = StockLevel.objects.filter(kind_id__in=[part.kind_id for part in needed], quantity__gt=0)
        for level in levels.select_related("place").order_by("place__name", "lot"):
            lot = gettext(" (lot %(lot)s)") % {"lot": level.lot} if level.lot else ""
            lying.setdefault(level.kind_id, []).append(
                gettext("%(quantity)s at %(name)s%(lot)s")
                % {"quantity": level.quantity, "name": level.place.name, "lot": lot}
            )
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
            what=message(event.what.replace("_", " ")),
            by=str(event.by) if event.by else "Tapward",
            detail=event.detail,
        )
        for event in events[:200]
    ]


def _close_outs(order_id: int, zone: str, now: datetime) -> list[CloseOutRow]:
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
            can_undo=row.undone_at is None and local_day(row.received_at, zone) == local_day(now, zone),
            photo_pks=sorted(photo.pk for photo in row.photos.all()),
        )
        for row in rows
    ]
