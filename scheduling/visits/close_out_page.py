"""All that closing out one order takes, as the technician's phone shows it."""

from dataclasses import dataclass
from datetime import date, datetime

from django.db.models import Sum
from django.utils.translation import gettext

from fleet.models import Part, PartKind, Position, UnitState
from scheduling.models import (
    STANDING_STATES,
    CloseOut,
    CloseOutPhoto,
    Outcome,
    StepSheet,
    StockLevel,
    Technician,
    WorkOrder,
)
from scheduling.orders.kinds import Closing
from scheduling.orders.order_page import StepRow
from scheduling.orders.selectors import number_of
from scheduling.visits.day import order_of_own_day
from scheduling.visits.readings import GaugeRow, MeterRow, gauges, meter_to_read
from shared.periods import local_day


@dataclass(frozen=True)
class KindOption:
    """A part that would fit, with what flushing it takes."""

    code: str
    name: str
    needs_flush: bool
    flush_gal: float | None
    flush_gpm: float | None
    on_van: int
    lots: list[str]


@dataclass(frozen=True)
class PositionRow:
    """A position of the treatment unit, what is in it and what would fit."""

    code: str
    water: str
    part_pk: int | None
    part_name: str
    part_kind_code: str
    serial: str
    lot: str
    installed_on: date | None
    wear: float | None
    is_asked: bool
    options: list[KindOption]


@dataclass(frozen=True)
class VisitRow:
    """A past visit to the treatment unit."""

    finished_at: datetime
    kind_word: str
    outcome_word: str
    technician: str
    note: str


@dataclass(frozen=True)
class ReceivedRow:
    """What the office has received for an order and what stands: the other copy when two clash."""

    client_id: str
    technician: str
    finished_at: datetime
    outcome_word: str
    minutes: int
    parts: list[str]
    note: str


@dataclass(frozen=True)
class CloseOutPage:
    """All that closing out one order takes."""

    order_pk: int
    number: str
    kind: str
    kind_word: str
    why: str
    state: str
    state_word: str
    is_over: bool
    over_because: str
    minutes: int
    flush_minutes: int
    day: date | None
    stop_pk: int | None
    serial: str
    unit_label: str
    site_name: str
    address: str
    access_note: str
    zone: str
    mains_voltage: int
    readiness: str
    readiness_word: str
    owed_word: str
    technician_pk: int
    cautions: list[str]
    steps: list[StepRow]
    sheet_version: int | None
    positions: list[PositionRow]
    meter: MeterRow | None
    gauges: list[GaugeRow]
    visits: list[VisitRow]
    flush_gal: float | None
    flush_gpm: float | None
    wants_flush: bool
    own_photo_pks: list[int]
    received: ReceivedRow | None


def sheet_worked_by(kind: str, version: int | None) -> StepSheet | None:
    """Return the sheet the phone worked by, so that a newer one does no harm; without it the one in use."""
    sheets = StepSheet.objects.filter(kind=kind)
    return sheets.filter(version=version).first() or sheets.filter(is_current=True).first()


def close_out_page(
    technician: Technician, order_id: int, now: datetime, sheet_version: int | None = None
) -> CloseOutPage | None:
    """Return what closing out an order takes, or None when the order is not on this technician's routes."""
    placed = order_of_own_day(technician, order_id)
    if placed is None:
        return None
    order = WorkOrder.objects.select_related(
        "site", "treatment_unit__state", "part__kind", "part__position"
    ).get(pk=order_id)
    treatment_unit = order.treatment_unit
    state = getattr(treatment_unit, "state", None)
    sheet = sheet_worked_by(order.kind, sheet_version)
    flush_gal, flush_gpm, wants_flush = _flush_wanted(order, state)
    return CloseOutPage(
        order_pk=order.pk,
        number=number_of(order.pk),
        kind=order.kind,
        kind_word=order.get_kind_display(),
        why=order.why,
        state=order.state,
        state_word=order.get_state_display(),
        is_over=order.state not in STANDING_STATES,
        over_because=order.withdrawn_because,
        minutes=order.minutes,
        flush_minutes=order.flush_minutes,
        day=placed.stop.route.day,
        stop_pk=placed.stop_id,
        serial=treatment_unit.serial,
        unit_label=treatment_unit.label,
        site_name=order.site.name,
        address=order.site.address,
        access_note=order.site.access_note,
        zone=order.site.time_zone,
        mains_voltage=treatment_unit.mains_voltage,
        readiness=state.readiness if state else "",
        readiness_word=state.get_readiness_display() if state else gettext("Never assessed"),
        owed_word=state.get_owed_flush_display() if state and state.owed_flush else "",
        technician_pk=technician.pk,
        cautions=list(sheet.cautions) if sheet else [],
        steps=[
            StepRow(step.get("code", ""), step.get("text", ""), bool(step.get("is_hazard_control")))
            for step in (sheet.steps if sheet else [])
        ],
        sheet_version=sheet.version if sheet else None,
        positions=_positions(order, technician),
        meter=meter_to_read(treatment_unit, state, now),
        gauges=gauges(treatment_unit.pk),
        visits=_visits(treatment_unit.pk),
        flush_gal=flush_gal,
        flush_gpm=flush_gpm,
        wants_flush=wants_flush,
        own_photo_pks=_photos(order.pk, technician),
        received=_received(order.pk),
    )


def _photos(order_id: int, technician: Technician) -> list[int]:
    found = CloseOutPhoto.objects.filter(close_out__order_id=order_id, close_out__technician=technician)
    return list(found.order_by("pk").values_list("pk", flat=True))


def _received(order_id: int) -> ReceivedRow | None:
    standing = CloseOut.objects.filter(order_id=order_id, undone_at__isnull=True)
    row = standing.exclude(outcome=Outcome.NOT_DONE).select_related("technician").first()
    if row is None:
        return None
    parts = row.parts.filter(installed__isnull=False).select_related("installed__kind", "installed__position")
    return ReceivedRow(
        client_id=str(row.client_id),
        technician=row.technician.name,
        finished_at=row.finished_at,
        outcome_word=row.get_outcome_display(),
        minutes=row.minutes,
        parts=[_part_told(one.installed) for one in parts],
        note=row.note,
    )


def _part_told(part: Part) -> str:
    marks = [
        part.lot and gettext("lot %(lot)s") % {"lot": part.lot},
        part.serial and gettext("serial %(serial)s") % {"serial": part.serial},
    ]
    return ", ".join(
        [
            gettext("%(name)s into %(code)s") % {"name": part.kind.name, "code": part.position.code},
            *(mark for mark in marks if mark),
        ]
    )


def _positions(order: WorkOrder, technician: Technician) -> list[PositionRow]:
    in_place = {
        part.position_id: part
        for part in Part.objects.in_place()
        .filter(treatment_unit_id=order.treatment_unit_id)
        .select_related("kind", "state")
    }
    kinds = list(PartKind.objects.all())
    van = _van_stock(technician)
    rows = []
    for position in Position.objects.filter(treatment_unit_id=order.treatment_unit_id).order_by("order"):
        part = in_place.get(position.pk)
        state = getattr(part, "state", None) if part else None
        rows.append(
            PositionRow(
                code=position.code,
                water=position.get_water_display(),
                part_pk=part.pk if part else None,
                part_name=part.kind.name if part else gettext("Empty"),
                part_kind_code=part.kind.code if part else "",
                serial=part.serial if part else "",
                lot=part.lot if part else "",
                installed_on=local_day(part.installed_at, order.site.time_zone) if part else None,
                wear=state.wear if state else None,
                is_asked=bool(part and order.part_id == part.pk),
                options=[_option(kind, van) for kind in kinds if part is None or kind.role == part.kind.role],
            )
        )
    return rows


def _van_stock(technician: Technician) -> dict[int, list[tuple[str, int]]]:
    stock: dict[int, list[tuple[str, int]]] = {}
    levels = StockLevel.objects.filter(place__technician=technician, quantity__gt=0)
    for kind_id, lot, total in (
        levels.values_list("kind_id", "lot").annotate(total=Sum("quantity")).order_by("lot")
    ):
        stock.setdefault(kind_id, []).append((lot, total))
    return stock


def _option(kind: PartKind, van: dict[int, list[tuple[str, int]]]) -> KindOption:
    lying = van.get(kind.pk, [])
    return KindOption(
        code=kind.code,
        name=kind.name,
        needs_flush=kind.needs_flush,
        flush_gal=kind.flush_gal,
        flush_gpm=kind.flush_gpm,
        on_van=sum(count for _, count in lying),
        lots=[lot for lot, _ in lying if lot],
    )


def _visits(unit_id: int) -> list[VisitRow]:
    past = CloseOut.objects.filter(order__treatment_unit_id=unit_id, undone_at__isnull=True)
    return [
        VisitRow(
            finished_at=one.finished_at,
            kind_word=one.order.get_kind_display(),
            outcome_word=one.get_outcome_display(),
            technician=one.technician.name,
            note=one.note,
        )
        for one in past.select_related("order", "technician").order_by("-finished_at")[:5]
    ]


def _flush_wanted(order: WorkOrder, state: UnitState | None) -> tuple[float | None, float | None, bool]:
    """Return gallons to drain, flow to expect and whether a flush belongs to this visit."""
    kind = order.part.kind if order.part else None
    volume = order.numbers.get("flush_gal") or (kind.flush_gal if kind else None)
    if volume is None and state:
        volume = state.flush_gal
    flow = kind.flush_gpm if kind else None
    wants = bool(
        order.flush_minutes or (kind and kind.needs_flush) or order.work_kind.closing is Closing.FLUSH
    )
    return volume, flow, wants
