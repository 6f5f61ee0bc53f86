"""What the technician's phone shows: the own day, and all that closing out one order takes."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from statistics import median
from typing import Final

from django.db.models import OuterRef, Q, Subquery, Sum

from fleet.models import (
    Meter,
    MeterReading,
    MeterWater,
    Part,
    PartKind,
    PerformanceReading,
    Position,
    TreatmentUnit,
    UnitState,
)
from scheduling.models import (
    STANDING_STATES,
    CloseOut,
    CloseOutPhoto,
    Route,
    StepSheet,
    StockLevel,
    StopOrder,
    Technician,
    WorkOrder,
)
from scheduling.queries.routes import LoadRow, RouteRow, StopOrderRow, StopRow, load_list, route_rows
from scheduling.queries.work_orders import StepRow, number_of

GAUGES: Final[dict[str, str]] = {
    "feed_pressure_psi": "Feed pressure",
    "concentrate_pressure_psi": "Concentrate pressure",
    "permeate_pressure_psi": "Permeate pressure",
    "permeate_flow_gpm": "Permeate flow",
    "concentrate_flow_gpm": "Concentrate flow",
    "feed_temperature_c": "Feed temperature",
    "feed_conductivity_us_cm": "Feed conductivity",
    "permeate_conductivity_us_cm": "Permeate conductivity",
    "sediment_inlet_psi": "Before sediment",
    "sediment_outlet_psi": "After sediment",
    "chlorine_after_carbon_mg_l": "Chlorine after carbon",
}
"""What may be read at a visit, in the order one walks along the water."""
READINGS_LOOKED_AT: Final = 12
SPREADS: Final = 4.0
"""How many robust spreads around the middle still count as plausible. Our choice."""
SPREAD_OF_MAD: Final = 1.4826
"""Standard deviation of a normal distribution over its median absolute deviation."""
LEAST_SPREAD: Final = 0.05
"""A gauge that always showed the same still has this share of leeway."""
DAYS_AROUND: Final = 14


@dataclass(frozen=True)
class DayOrder:
    """One order of the day."""

    row: StopOrderRow
    readiness: str
    readiness_word: str
    mains_voltage: int
    is_over: bool
    outcome_word: str


@dataclass(frozen=True)
class DayStop:
    """One stop of the day."""

    stop: StopRow
    orders: list[DayOrder]

    @property
    def is_over(self) -> bool:
        """True when nothing is left to do here."""
        return all(order.is_over for order in self.orders)


@dataclass(frozen=True)
class DayPage:
    """A technician's day."""

    technician: str
    day: date
    today: date
    zone: str
    route: RouteRow | None
    stops: list[DayStop]
    cautions: list[str]
    load: list[LoadRow]
    other_days: list[date]

    @property
    def left(self) -> int:
        """Stops still to be done."""
        return sum(not stop.is_over for stop in self.stops)


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
class MeterRow:
    """A meter to read, with its last total and where the next is to be expected."""

    pk: int
    water: str
    water_word: str
    serial: str
    measure: str
    last_total: float | None
    last_read_at: datetime | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class GaugeRow:
    """A gauge with its last value and plausible range, in working measures."""

    name: str
    label: str
    last: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True)
class VisitRow:
    """A past visit to the treatment unit."""

    finished_at: datetime
    kind_word: str
    outcome_word: str
    technician: str
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


def technician_of(person_id: int) -> Technician | None:
    """Return the technician a person is, or None."""
    return Technician.objects.select_related("branch").filter(person_id=person_id).first()


def day_page(technician: Technician, day: date, today: date) -> DayPage:
    """Return the technician's published day. Nine queries, however many stops."""
    routes = route_rows(Route.objects.filter(technician=technician, day=day, is_in_force=True))
    route = routes[0] if routes else None
    stops = route.stops if route else []
    rows = [order for stop in stops for order in stop.orders]
    facts = _facts(rows)
    ended = _ended(rows)
    return DayPage(
        technician=technician.name,
        day=day,
        today=today,
        zone=technician.branch.time_zone,
        route=route,
        stops=[
            DayStop(stop, [_day_order(row, facts.get(row.pk), ended.get(row.pk)) for row in stop.orders])
            for stop in stops
        ],
        cautions=_cautions({row.kind for row in rows}),
        load=load_list(route) if route else [],
        other_days=_days_with_work(technician, today),
    )


def order_of_own_day(technician: Technician, order_id: int) -> StopOrder | None:
    """Return the place of an order on this technician's routes as published, or None when it is not theirs.

    A route replaced by a later plan still counts: the work may have been done before the phone heard of it.
    """
    mine = StopOrder.objects.filter(order_id=order_id, stop__route__technician=technician)
    was_published = Q(stop__route__proposal__published_at__isnull=False)
    mine = mine.filter(Q(is_in_force=True) | Q(stop__route__is_in_force=True) | was_published)
    return mine.select_related("stop__route").order_by("-is_in_force", "-stop__route__day").first()


def close_out_page(technician: Technician, order_id: int, now: datetime) -> CloseOutPage | None:
    """Return what closing out an order takes, or None when the order is not on this technician's routes."""
    placed = order_of_own_day(technician, order_id)
    if placed is None:
        return None
    order = WorkOrder.objects.select_related(
        "site", "treatment_unit__state", "part__kind", "part__position"
    ).get(pk=order_id)
    treatment_unit = order.treatment_unit
    state = getattr(treatment_unit, "state", None)
    sheet = StepSheet.objects.filter(kind=order.kind, is_current=True).first()
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
        readiness_word=state.get_readiness_display() if state else "Never assessed",
        owed_word=state.get_owed_flush_display() if state and state.owed_flush else "",
        technician_pk=technician.pk,
        cautions=list(sheet.cautions) if sheet else [],
        steps=[
            StepRow(step.get("code", ""), step.get("text", ""), bool(step.get("is_hazard_control")))
            for step in (sheet.steps if sheet else [])
        ],
        sheet_version=sheet.version if sheet else None,
        positions=_positions(order, technician),
        meter=_meter(treatment_unit, state, now),
        gauges=_gauges(treatment_unit.pk),
        visits=_visits(treatment_unit.pk),
        flush_gal=flush_gal,
        flush_gpm=flush_gpm,
        wants_flush=wants_flush,
        own_photo_pks=_photos(order.pk, technician),
    )


def _photos(order_id: int, technician: Technician) -> list[int]:
    found = CloseOutPhoto.objects.filter(close_out__order_id=order_id, close_out__technician=technician)
    return list(found.order_by("pk").values_list("pk", flat=True))


def plausible(values: list[float]) -> tuple[float, float] | None:
    """Return where a gauge's next value is expected: the middle ± four robust spreads, not below zero."""
    if len(values) < 3:
        return None
    middle = median(values)
    spread = SPREAD_OF_MAD * median(abs(value - middle) for value in values)
    reach = SPREADS * max(spread, LEAST_SPREAD * abs(middle), 0.01)
    return max(0.0, middle - reach), middle + reach


def _facts(rows: list[StopOrderRow]) -> dict[int, WorkOrder]:
    orders = WorkOrder.objects.filter(pk__in=[row.pk for row in rows])
    return {order.pk: order for order in orders.select_related("treatment_unit__state")}


def _ended(rows: list[StopOrderRow]) -> dict[int, str]:
    done = CloseOut.objects.filter(order_id__in=[row.pk for row in rows], undone_at__isnull=True)
    return {one.order_id: one.get_outcome_display() for one in done.order_by("finished_at")}


def _day_order(row: StopOrderRow, order: WorkOrder | None, outcome: str | None) -> DayOrder:
    treatment_unit = order.treatment_unit if order else None
    state = getattr(treatment_unit, "state", None)
    return DayOrder(
        row=row,
        readiness=state.readiness if state else "",
        readiness_word=state.get_readiness_display() if state else "",
        mains_voltage=treatment_unit.mains_voltage if treatment_unit else 0,
        is_over=row.state not in STANDING_STATES,
        outcome_word=outcome or (order.get_state_display() if order else ""),
    )


def _cautions(kinds: set[str]) -> list[str]:
    """Return the day's cautions, each once, in the order their sheets have them."""
    sheets = StepSheet.objects.filter(kind__in=kinds, is_current=True).order_by("kind")
    return list(dict.fromkeys(caution for sheet in sheets for caution in sheet.cautions))


def _days_with_work(technician: Technician, today: date) -> list[date]:
    around = (today - timedelta(days=DAYS_AROUND), today + timedelta(days=DAYS_AROUND))
    days = Route.objects.filter(technician=technician, is_in_force=True, day__range=around)
    return list(days.order_by("day").values_list("day", flat=True))


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
                part_name=part.kind.name if part else "Empty",
                part_kind_code=part.kind.code if part else "",
                serial=part.serial if part else "",
                lot=part.lot if part else "",
                installed_on=part.installed_at.date() if part else None,
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


def _meter(treatment_unit: TreatmentUnit, state: UnitState | None, now: datetime) -> MeterRow | None:
    """Return the meter that is read at a visit: the permeate meter, else the first there is."""
    newest = MeterReading.objects.filter(meter_id=OuterRef("pk"), is_latest=True).order_by("-read_at")
    meters = Meter.objects.filter(treatment_unit=treatment_unit, removed_at__isnull=True).annotate(
        last_total=Subquery(newest.values("total")[:1]),
        last_gal=Subquery(newest.values("total_gal")[:1]),
        last_at=Subquery(newest.values("read_at")[:1]),
    )
    listed = sorted(meters, key=lambda meter: (meter.water != MeterWater.PERMEATE, meter.pk))
    return _meter_row(listed[0], treatment_unit, state, now) if listed else None


def _meter_row(
    meter: Meter, treatment_unit: TreatmentUnit, state: UnitState | None, now: datetime
) -> MeterRow:
    low = high = None
    if meter.last_total is not None and state and state.permeate_gal_per_day is not None:
        days = max((now - meter.last_at).total_seconds() / 86_400, 0.0)
        recovery = state.recovery or treatment_unit.design_recovery
        share = {"permeate": 1.0, "feed": 1 / recovery, "concentrate": 1 / recovery - 1}[meter.water]
        expected = state.permeate_gal_per_day * share * days
        per_gal = meter.last_total / meter.last_gal if meter.last_gal else 1.0
        low = meter.last_total
        high = meter.last_total + (3 * expected + 50 * share) * per_gal
    return MeterRow(
        pk=meter.pk,
        water=meter.water,
        water_word=meter.get_water_display(),
        serial=meter.serial,
        measure=meter.measure,
        last_total=meter.last_total,
        last_read_at=meter.last_at,
        low=low,
        high=high,
    )


def _gauges(unit_id: int) -> list[GaugeRow]:
    readings = list(
        PerformanceReading.objects.filter(treatment_unit_id=unit_id, is_latest=True)
        .order_by("-read_at")
        .values(*GAUGES)[:READINGS_LOOKED_AT]
    )
    rows = []
    for name, label in GAUGES.items():
        values = [reading[name] for reading in readings if reading[name] is not None]
        low, high = plausible(values) or (None, None)
        rows.append(GaugeRow(name, label, values[0] if values else None, low, high))
    return rows


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
    wants = bool(order.flush_minutes or (kind and kind.needs_flush) or order.kind == "reflush_required")
    return volume, flow, wants
