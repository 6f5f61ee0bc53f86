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
    Stop,
    Technician,
    WorkOrder,
)
from scheduling.orders.kinds import Closing
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
    part: Part | None
    installed_on: date | None
    wear: float | None
    is_asked: bool
    options: list[KindOption]

    @property
    def lots(self) -> list[str]:
        return sorted({lot for option in self.options for lot in option.lots})


@dataclass(frozen=True)
class CloseOutPage:
    """All that closing out one order takes."""

    order: WorkOrder
    stop: Stop
    technician: Technician
    state: UnitState | None
    readiness_word: str
    sheet: StepSheet | None
    positions: list[PositionRow]
    meter: MeterRow | None
    gauges: list[GaugeRow]
    visits: list[CloseOut]
    flush_gal: float | None
    flush_gpm: float | None
    wants_flush: bool
    own_photo_pks: list[int]
    received: CloseOut | None
    """What the office has and what stands: the other copy when two clash."""
    received_parts: list[str]

    @property
    def number(self) -> str:
        return number_of(self.order.pk)

    @property
    def day(self) -> date:
        return self.stop.route.day

    @property
    def is_over(self) -> bool:
        return self.order.state not in STANDING_STATES

    @property
    def steps(self) -> list[dict]:
        return self.sheet.steps if self.sheet else []


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
    flush_gal, flush_gpm, wants_flush = _flush_wanted(order, state)
    received = _received(order_id)
    return CloseOutPage(
        order=order,
        stop=placed.stop,
        technician=technician,
        state=state,
        readiness_word=readiness_word(state),
        sheet=sheet_worked_by(order.kind, sheet_version),
        positions=_positions(order, technician),
        meter=meter_to_read(treatment_unit, state, now),
        gauges=gauges(treatment_unit.pk),
        visits=past_visits(treatment_unit.pk, 5),
        flush_gal=flush_gal,
        flush_gpm=flush_gpm,
        wants_flush=wants_flush,
        own_photo_pks=_photos(order_id, technician),
        received=received,
        received_parts=_parts_told(received) if received else [],
    )


def readiness_word(state: UnitState | None) -> str:
    """Say how a treatment unit stands."""
    return state.get_readiness_display() if state else gettext("Never assessed")


def past_visits(unit_id: int, most: int) -> list[CloseOut]:
    """Return the newest visits to a treatment unit that stand."""
    past = CloseOut.objects.filter(order__treatment_unit_id=unit_id, undone_at__isnull=True)
    return list(past.select_related("order", "technician").order_by("-finished_at")[:most])


def _photos(order_id: int, technician: Technician) -> list[int]:
    found = CloseOutPhoto.objects.filter(close_out__order_id=order_id, close_out__technician=technician)
    return list(found.order_by("pk").values_list("pk", flat=True))


def _received(order_id: int) -> CloseOut | None:
    standing = CloseOut.objects.filter(order_id=order_id, undone_at__isnull=True)
    return standing.exclude(outcome=Outcome.NOT_DONE).select_related("technician").first()


def _parts_told(row: CloseOut) -> list[str]:
    parts = row.parts.filter(installed__isnull=False).select_related("installed__kind", "installed__position")
    return [_part_told(one.installed) for one in parts]


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
                part=part,
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
