"""All that a visit takes, as the technician's phone shows it."""

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.utils.translation import gettext

from fleet.models import Part, Site, TreatmentUnit, UnitState
from fleet.science.patterns import Pattern, what_to_check_first
from scheduling.models import (
    STANDING_STATES,
    CloseOut,
    CloseOutPhoto,
    Outcome,
    StepSheet,
    Stop,
    Technician,
    WorkOrder,
)
from scheduling.orders.kinds import Closing
from scheduling.orders.kit import kit, work_of
from scheduling.orders.selectors import number_of
from scheduling.orders.steps import merged
from scheduling.visits.day import order_of_own_day, own_orders
from scheduling.visits.positions import PositionRow, positions_of
from scheduling.visits.readings import (
    GaugeRow,
    MeterRow,
    gauges,
    meter_to_read,
    recent_readings,
    usual_on_site,
)


@dataclass(frozen=True)
class OrderHere:
    """One order of a visit."""

    order: WorkOrder
    sheet: StepSheet | None
    received: CloseOut | None
    """What the office has and what stands: the other copy when two clash."""
    received_parts: list[str]

    @property
    def pk(self) -> int:
        return self.order.pk

    @property
    def number(self) -> str:
        return number_of(self.order.pk)

    @property
    def is_over(self) -> bool:
        return self.order.state not in STANDING_STATES

    @property
    def check_first(self) -> Sequence[str]:
        """What the pattern of a loss of performance says to look at first."""
        pattern = str(self.order.numbers.get("pattern") or "").upper()
        return what_to_check_first(Pattern[pattern]) if pattern in Pattern.__members__ else ()


@dataclass(frozen=True)
class UnitHere:
    """One treatment unit of a visit with everything that is asked there once."""

    treatment_unit: TreatmentUnit
    orders: list[OrderHere]
    state: UnitState | None
    readiness_word: str
    steps: list[dict]
    positions: list[PositionRow]
    meter: MeterRow | None
    gauges: list[GaugeRow]
    usual: dict[str, tuple[float, float] | None]
    """Where drop, recovery and rejection are usual here."""
    past: list[CloseOut]
    flush_gal: float | None
    flush_gpm: float | None
    wants_flush: bool
    kit: tuple[set[str], int]
    """Codes of the steps still called for, and how many parts they change."""

    @property
    def pk(self) -> int:
        return self.treatment_unit.pk

    @property
    def asks_gauges(self) -> bool:
        return any(one.order.work_kind.asks_gauges for one in self.orders)


@dataclass(frozen=True)
class VisitPage:
    """All that a visit takes: one technician, one stop, its treatment units and their orders."""

    stop: Stop
    technician: Technician
    units: list[UnitHere]
    ended: list[OrderHere]
    """Orders of the stop that are over and not reported here."""
    own_photo_pks: list[int]
    is_of_stop: bool
    """False: opened by one order's own address."""

    @property
    def orders(self) -> list[OrderHere]:
        return [one for unit in self.units for one in unit.orders]

    @property
    def site(self) -> Site:
        return self.stop.site

    @property
    def day(self) -> date:
        return self.stop.route.day

    @property
    def is_single(self) -> bool:
        """True with one order: its fields have plain names, as on the pages phones keep."""
        return len(self.orders) == 1

    @property
    def is_over(self) -> bool:
        return all(one.is_over for one in self.orders)

    @property
    def is_conflicted(self) -> bool:
        return any(one.received for one in self.orders)

    @property
    def minutes(self) -> int:
        return sum(one.order.minutes for one in self.orders)

    @property
    def key(self) -> str:
        """By what the phone keeps it."""
        return f"visit-{self.stop.pk}" if self.is_of_stop else str(self.orders[0].pk)

    @property
    def number(self) -> str:
        return ", ".join(one.number for one in self.orders)

    @property
    def cautions(self) -> list[str]:
        sheets = [one.sheet for one in self.orders if one.sheet]
        return list(dict.fromkeys(text for sheet in sheets for text in sheet.cautions))

    @property
    def to_bring(self) -> list[str]:
        """What to take from the van for what is still to do here, parts first."""
        to_do = [one.order for one in self.orders if not one.is_over]
        parts = Counter(part.kind.name for order in to_do for part in order.needed_parts.all())
        lines = kit(unit.kit for unit in self.units if not all(one.is_over for one in unit.orders))
        return [*(f"{n} × {name}" for name, n in parts.items()), *(line.told for line in lines)]

    @property
    def asks_feed_test(self) -> bool:
        return any(one.order.work_kind.asks_feed_test for one in self.orders)


def sheet_worked_by(kind: str, version: int | None) -> StepSheet | None:
    """Return the sheet the phone worked by, so that a newer one does no harm; without it the one in use."""
    sheets = StepSheet.objects.filter(kind=kind)
    return sheets.filter(version=version).first() or sheets.filter(is_current=True).first()


def order_page(
    technician: Technician, order_id: int, now: datetime, versions: Mapping[int, int | None]
) -> VisitPage | None:
    """Return a visit for one order, or None when it is not on this technician's routes."""
    placed = order_of_own_day(technician, order_id)
    if placed is None:
        return None
    return _page(technician, placed.stop, {order_id}, now, versions, is_of_stop=False)


def visit_page(
    technician: Technician,
    stop_id: int,
    now: datetime,
    versions: Mapping[int, int | None],
) -> VisitPage | None:
    """Return the visit of a stop, or None when it is none of this technician's published ones.

    ``versions``: the orders a form was made for with the version of their steps; without them what still
    stands at the stop, or everything there when all of it is over. Orders that are none of the technician's
    are left out.
    """
    here = set(own_orders(technician).filter(stop_id=stop_id).values_list("order_id", flat=True))
    if not here:
        return None
    stop = Stop.objects.select_related("route", "site").get(pk=stop_id)
    if versions:
        own = own_orders(technician).filter(order_id__in=versions, order__site_id=stop.site_id)
        here = set(own.values_list("order_id", flat=True))
    return _page(technician, stop, here, now, versions, is_of_stop=True) if here else None


def _page(
    technician: Technician,
    stop: Stop,
    order_ids: set[int],
    now: datetime,
    versions: Mapping[int, int | None],
    *,
    is_of_stop: bool,
) -> VisitPage:
    rows = (
        WorkOrder.objects.filter(pk__in=order_ids)
        .select_related("site", "treatment_unit__state", "part__kind", "part__position")
        .prefetch_related("needed_parts__kind")
    )
    here = [_order_here(order, versions.get(order.pk)) for order in rows.order_by("pk")]
    asked = [one for one in here if one.pk in versions or not one.is_over] or here
    by_unit: dict[int, list[OrderHere]] = {}
    for one in asked:
        by_unit.setdefault(one.order.treatment_unit_id, []).append(one)
    return VisitPage(
        stop=stop,
        technician=technician,
        units=[_unit_here(orders, technician, now) for orders in by_unit.values()],
        ended=[one for one in here if one not in asked],
        own_photo_pks=_photos(order_ids, technician),
        is_of_stop=is_of_stop,
    )


def _order_here(order: WorkOrder, version: int | None) -> OrderHere:
    received = _received(order.pk)
    sheet = sheet_worked_by(order.kind, version)
    return OrderHere(order, sheet, received, _parts_told(received) if received else [])


def _unit_here(orders: list[OrderHere], technician: Technician, now: datetime) -> UnitHere:
    unit = orders[0].order.treatment_unit
    state = getattr(unit, "state", None)
    readings = recent_readings(unit.pk)
    flush_gal, flush_gpm, wants_flush = _flush_wanted([one.order for one in orders], state)
    return UnitHere(
        treatment_unit=unit,
        orders=orders,
        state=state,
        readiness_word=readiness_word(state),
        steps=merged([one.sheet for one in orders if one.sheet]),
        positions=positions_of([one.order for one in orders], technician),
        meter=meter_to_read(unit, state, now),
        gauges=gauges(readings),
        usual=usual_on_site(readings, unit.design_recovery),
        past=past_visits(unit.pk, 5),
        flush_gal=flush_gal,
        flush_gpm=flush_gpm,
        wants_flush=wants_flush,
        kit=work_of(*_to_do(orders)),
    )


def _to_do(orders: Sequence[OrderHere]) -> tuple[list[WorkOrder], list[StepSheet]]:
    left = [one for one in orders if not one.is_over] or orders
    return [one.order for one in left], [one.sheet for one in left if one.sheet]


def readiness_word(state: UnitState | None) -> str:
    """Say how a treatment unit stands."""
    return state.get_readiness_display() if state else gettext("Never assessed")


def past_visits(unit_id: int, most: int) -> list[CloseOut]:
    """Return the newest visits to a treatment unit that stand."""
    past = CloseOut.objects.filter(order__treatment_unit_id=unit_id, undone_at__isnull=True)
    return list(past.select_related("order", "technician").order_by("-finished_at")[:most])


def _photos(order_ids: Collection[int], technician: Technician) -> list[int]:
    found = CloseOutPhoto.objects.filter(close_out__order_id__in=order_ids, close_out__technician=technician)
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


def _flush_wanted(
    orders: list[WorkOrder], state: UnitState | None
) -> tuple[float | None, float | None, bool]:
    """Return gallons to drain, flow to expect and whether a flush belongs to this visit of a unit."""
    kinds = [order.part.kind for order in orders if order.part]
    flows = [kind.flush_gpm for kind in kinds if kind.flush_gpm]
    volumes = [
        order.numbers.get("flush_gal") or (order.part and order.part.kind.flush_gal) for order in orders
    ]
    volume = max(filter(None, volumes), default=state.flush_gal if state else None)
    wants = any(
        order.flush_minutes
        or (order.part and order.part.kind.needs_flush)
        or order.work_kind.closing is Closing.FLUSH
        for order in orders
    )
    return volume, min(flows, default=None), wants
