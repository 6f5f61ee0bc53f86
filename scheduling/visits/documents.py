"""Reads what printed documents say: the service report of a close-out, the work sheet of a route, labels."""

from collections.abc import Callable
from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from django.utils.translation import gettext

from fleet.corrections.selectors import standing_id
from fleet.display.figures import digits, show
from fleet.models import (
    Corrected,
    Flush,
    Meter,
    MeterReading,
    Part,
    PartState,
    PerformanceReading,
    Position,
    TreatmentUnit,
)
from scheduling.documents.paper import (
    DueLine,
    FlushLine,
    Label,
    LoadLine,
    PartLine,
    PhotoLine,
    ReadingLine,
    ServiceReport,
    SheetOrder,
    SheetStop,
    StepLine,
    WorkSheet,
    moment,
)
from scheduling.documents.pictures import read_strokes
from scheduling.models import STANDING_STATES, CloseOut, CloseOutPhoto, Route, StepSheet, Stop, WorkOrder
from scheduling.orders.kit import kit_of_orders
from scheduling.orders.selectors import number_of
from scheduling.orders.step_library import applies, condition_told, in_phases, known_of
from scheduling.orders.steps import current_cautions, current_sheets
from scheduling.pages.figures import quantity_of
from scheduling.routes.promises import promised_span
from scheduling.routes.selectors import load_list
from scheduling.visits.readings import GAUGES
from shared.messages import joined

NUMBER_OF_FLUSHES: Final = 20


def service_report(close_out: CloseOut, *, company: str, system: str) -> ServiceReport:
    """Return everything the report of a close-out says, in a person's measures. Nothing about money."""
    order = close_out.order
    unit, site = order.treatment_unit, order.site
    zone = ZoneInfo(site.time_zone)
    sheet = StepSheet.objects.filter(kind=order.kind, version=close_out.step_sheet_version).first()
    before, after = _readings(close_out)
    state = getattr(unit, "state", None)
    strokes, is_readable = read_strokes(close_out.signature)
    changes = list(
        close_out.parts.select_related(
            "removed__kind", "removed__position", "installed__kind", "installed__position"
        ).order_by("pk")
    )
    follow_up = close_out.follow_up
    return ServiceReport(
        company=company,
        number=number_of(order.pk),
        kind_word=order.get_kind_display(),
        outcome_word=close_out.get_outcome_display(),
        undone=close_out.undone_because if close_out.undone_at else "",
        customer=site.customer.name,
        site=site.name,
        address=site.address,
        serial=unit.serial,
        unit_label=unit.label,
        technician=close_out.technician.name,
        finished_at=close_out.finished_at.astimezone(zone),
        minutes=close_out.minutes,
        why=order.why,
        cautions=list(sheet.cautions) if sheet else current_cautions([order.kind]),
        readings_before_at=before.read_at.astimezone(zone) if before else None,
        readings=[*_meter_lines(close_out), *_gauge_lines(before, after, system)],
        parts_out=[_part_line(one.removed, with_reason=True) for one in changes if one.removed],
        parts_in=[_part_line(one.installed) for one in changes if one.installed],
        flushes=[_flush_line(one, system) for one in _flushes(close_out)],
        steps=_steps_done(close_out, sheet),
        sheet_version=close_out.step_sheet_version,
        follow_up=gettext("%(follow_up)s, %(window_from)s to %(window_to)s")
        % {"follow_up": follow_up, "window_from": follow_up.window_from, "window_to": follow_up.window_to}
        if follow_up
        else "",
        readiness_word=state.get_readiness_display() if state else "",
        owed_word=state.get_owed_flush_display() if state and state.owed_flush else "",
        next_due=_next_due(unit),
        assessed_at=state.assessed_at.astimezone(zone) if state else None,
        note=close_out.note,
        signed_by=close_out.signed_by,
        signature=strokes,
        signature_is_readable=is_readable,
        photos=photo_lines(close_out, zone),
    )


def work_sheet(route: Route, *, company: str, system: str) -> WorkSheet:
    """Return a route's day for paper. Ten queries, however many stops."""
    zone = ZoneInfo(route.zone)
    ids = [placed.order_id for stop in route.stops.all() for placed in stop.orders.all()]
    orders = {
        order.pk: order
        for order in WorkOrder.objects.filter(pk__in=ids)
        .select_related("treatment_unit__state", "part__kind")
        .prefetch_related("needed_parts__kind")
    }
    kinds = {order.kind for order in orders.values()}
    sheets = current_sheets(kinds)
    to_do = [order for order in orders.values() if order.state in STANDING_STATES]
    positions = _positions_by_unit({order.treatment_unit_id for order in orders.values()})
    return WorkSheet(
        company=company,
        technician=route.technician.name,
        day=route.day,
        leaves_at=route.leaves_at.astimezone(zone),
        returns_at=route.returns_at.astimezone(zone),
        is_in_force=route.is_in_force,
        cautions=current_cautions(kinds),
        load=[LoadLine(one.name, one.code, one.needed, one.on_van) for one in load_list(route)],
        kit=[one.told for one in kit_of_orders(to_do, sheets)],
        gauges=[_gauge_with_measure(name, label, system) for name, label in GAUGES.items()],
        stops=[_sheet_stop(stop, zone, orders, sheets, positions, system) for stop in route.stops.all()],
    )


def unit_labels(
    units: list[TreatmentUnit], *, company: str, address_of: Callable[[TreatmentUnit], str]
) -> list[Label]:
    """Return a label for each treatment unit, in the order given."""
    return [
        Label(
            address=address_of(unit),
            serial=unit.serial,
            line=", ".join(text for text in (unit.site.name, unit.label) if text),
            company=company,
        )
        for unit in units
    ]


def _readings(close_out: CloseOut) -> tuple[PerformanceReading | None, PerformanceReading | None]:
    """Return the last gauges read before this visit, and those of the visit."""
    after = PerformanceReading.objects.filter(
        pk=standing_id(Corrected.GAUGES, close_out.performance_reading_id)
    ).first()
    until = after.read_at if after else close_out.finished_at
    before = (
        PerformanceReading.objects.filter(
            treatment_unit_id=close_out.order.treatment_unit_id, read_at__lt=until, is_latest=True
        )
        .order_by("-read_at")
        .first()
    )
    return before, after


def _gauge_lines(
    before: PerformanceReading | None, after: PerformanceReading | None, system: str
) -> list[ReadingLine]:
    lines = []
    for name, label in GAUGES.items():
        old, new = (_gauge(reading, name, system) for reading in (before, after))
        if old or new:
            lines.append(ReadingLine(label, old, new))
    if after and after.saw_fines:
        lines.append(ReadingLine(gettext("Fines or turbidity"), "", "seen"))
    return lines


def _gauge(reading: PerformanceReading | None, name: str, system: str) -> str:
    value = getattr(reading, name) if reading else None
    quantity = quantity_of(name)
    return str(show(value, quantity, system)) if value is not None and quantity else ""


def _gauge_with_measure(name: str, label: str, system: str) -> str:
    quantity = quantity_of(name)
    return f"{label} [{show(0, quantity, system).measure}]" if quantity else label


def _meter_lines(close_out: CloseOut) -> list[ReadingLine]:
    """Return the register before and at this visit, as it shows, for the meter read then."""
    at_visit = (
        MeterReading.objects.filter(
            treatment_unit_id=close_out.order.treatment_unit_id, read_at=close_out.finished_at
        )
        .order_by("-is_latest", "-revision")
        .first()
    )
    if at_visit is None:
        return []
    meter = Meter.objects.get(pk=at_visit.meter_id)
    earlier = (
        MeterReading.objects.filter(meter=meter, read_at__lt=at_visit.read_at, is_latest=True)
        .order_by("-read_at")
        .first()
    )
    written = [f"{one.total:,.10g} {meter.measure}" if one else "" for one in (earlier, at_visit)]
    return [ReadingLine(gettext("%(water)s meter") % {"water": meter.get_water_display()}, *written)]


def _part_line(part: Part, *, with_reason: bool = False) -> PartLine:
    reason = part.get_removal_reason_display() if with_reason and part.removal_reason else ""
    return PartLine(part.position.code, part.kind.name, part.serial, part.lot, reason)


def _flushes(close_out: CloseOut) -> list[Flush]:
    """Return every flush of a visit: they were recorded at the moment it finished."""
    same = Flush.objects.filter(
        treatment_unit_id=close_out.order.treatment_unit_id, flushed_at=close_out.finished_at
    ).order_by("pk")[:NUMBER_OF_FLUSHES]
    found = list(same)
    if close_out.flush and close_out.flush not in found:
        found.insert(0, close_out.flush)
    return found


def _flush_line(flush: Flush, system: str) -> FlushLine:
    return FlushLine(
        kind_word=flush.get_kind_display(),
        volume=str(show(flush.volume_gal, "gal", system)),
        minutes=gettext("%(minutes)s min") % {"minutes": digits(flush.minutes)},
        ran_clear=flush.ran_clear,
    )


def photo_lines(close_out: CloseOut, zone: ZoneInfo) -> list[PhotoLine]:
    photos = close_out.photos.order_by("pk")
    return [_photo_line(number, photo, zone) for number, photo in enumerate(photos, start=1)]


def _photo_line(number: int, photo: CloseOutPhoto, zone: ZoneInfo) -> PhotoLine:
    told = [gettext("Photo %(number)s") % {"number": number}]
    if photo.taken_at:
        told.append(moment(photo.taken_at.astimezone(zone)))
    if photo.latitude is not None and photo.longitude is not None:
        told.append(
            gettext("taken at %(latitude)s°, %(longitude)s°")
            % {"latitude": f"{photo.latitude:.5f}", "longitude": f"{photo.longitude:.5f}"}
        )
    try:
        with photo.image.open("rb") as file:
            content = file.read()
    except OSError:
        content = b""
    return PhotoLine(", ".join(told), content)


def _steps_done(close_out: CloseOut, sheet: StepSheet | None) -> list[StepLine]:
    """Return the steps of the version worked by, each as it was recorded."""
    if sheet is None:
        return []
    told = {str(entry.get("code")): entry for entry in close_out.steps}
    return [
        StepLine(
            text=step["text"],
            is_hazard_control=bool(step.get("is_hazard_control")),
            is_done=bool(told.get(step["code"], {}).get("done")),
            because=str(told.get(step["code"], {}).get("skipped_because") or ""),
        )
        for step in sheet.steps
        if step["code"] in told or not step.get("when")
    ]


def _next_due(unit: TreatmentUnit) -> list[DueLine]:
    states = PartState.objects.filter(treatment_unit=unit, part__removed_at__isnull=True)
    return [
        DueLine(one.part.position.code, one.part.kind.name, one.early_on, one.likely_on, one.late_on)
        for one in states.select_related("part__kind", "part__position").order_by("part__position__order")
    ]


def _positions_by_unit(unit_ids: set[int]) -> dict[int, list[str]]:
    found: dict[int, list[str]] = {}
    rows = Position.objects.filter(treatment_unit_id__in=unit_ids).order_by("treatment_unit_id", "order")
    for unit_id, code in rows.values_list("treatment_unit_id", "code"):
        found.setdefault(unit_id, []).append(code)
    return found


def _sheet_stop(
    stop: Stop,
    zone: ZoneInfo,
    orders: dict[int, WorkOrder],
    sheets: dict[str, StepSheet],
    positions: dict[int, list[str]],
    system: str,
) -> SheetStop:
    return SheetStop(
        place=stop.place,
        site=stop.site.name,
        address=stop.site.address,
        access_note=stop.site.access_note,
        contact=", ".join(text for text in (stop.site.customer.name, stop.site.customer.phone) if text),
        arrives_at=stop.arrives_at.astimezone(zone),
        promised=promised_span(stop),
        orders=[
            _sheet_order(orders[placed.order_id], sheets.get(placed.order.kind), positions, system)
            for placed in stop.orders.all()
            if placed.order_id in orders
        ],
    )


def _sheet_order(
    order: WorkOrder, sheet: StepSheet | None, positions: dict[int, list[str]], system: str
) -> SheetOrder:
    unit = order.treatment_unit
    state = getattr(unit, "state", None)
    roles = {order.part.kind.role} if order.part and order.work_kind.needs_part else set()
    known = known_of(unit, roles)
    gallons = order.numbers.get("flush_gal") or (order.part.kind.flush_gal if order.part else None)
    drained = (
        gettext("%(gallons)s, until it runs clear") % {"gallons": show(gallons, "gal", system)}
        if gallons
        else ""
    )
    return SheetOrder(
        number=number_of(order.pk),
        kind_word=order.get_kind_display(),
        serial=unit.serial,
        unit_label=unit.label,
        mains_voltage=unit.mains_voltage,
        readiness_word=state.get_readiness_display() if state else gettext("Never assessed"),
        minutes=order.minutes,
        why=order.why,
        parts=[f"{one.quantity} × {one.kind.name} ({one.kind.code})" for one in order.needed_parts.all()],
        positions=positions.get(unit.pk, []),
        to_drain=drained if order.flush_minutes or gallons else "",
        steps=[
            StepLine(
                joined(" ", (condition_told(step, known), step["text"])), bool(step.get("is_hazard_control"))
            )
            for step in in_phases(sheet.steps if sheet else [])
            if applies(step, known)
        ],
        is_over=order.state not in STANDING_STATES,
    )


def close_out_for_report(pk: int, *, branch_id: int | None, person_id: int | None) -> CloseOut | None:
    """Return a close-out with all a report needs, or None when it is not theirs to read.

    ``person_id`` narrows it to the technician who did it; ``branch_id`` to a branch.
    """
    found = CloseOut.objects.select_related(
        "order__treatment_unit__state", "order__site__customer", "technician", "follow_up", "flush"
    )
    if branch_id:
        found = found.filter(order__site__branch_id=branch_id)
    if person_id:
        found = found.filter(technician__person_id=person_id)
    return found.filter(pk=pk).first()


def made_moment(close_out: CloseOut) -> datetime:
    """Return the moment a report dates itself to, so that the same close-out prints the same."""
    return close_out.undone_at or close_out.received_at
