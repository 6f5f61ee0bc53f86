"""Everything the page of one treatment unit shows. The number of queries does not grow with its history."""

from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Final

from django.db.models import Q
from django.utils.translation import gettext, gettext_lazy

from fleet.assessment.explanation import wear_steps
from fleet.assessment.scaling_opinion import scaling_opinion, scaling_steps
from fleet.corrections.selectors import attach_corrections
from fleet.display.figures import show
from fleet.display.schematic import PlacedPart, Schematic, lay_out
from fleet.models import (
    Corrected,
    Correction,
    FeedTest,
    Finding,
    FindingKind,
    Flush,
    MeterReading,
    Part,
    PerformanceReading,
    Position,
    ReadinessChange,
    Site,
    TreatmentUnit,
    UnitStay,
    UnitSwap,
)
from scheduling.models import CloseOut, StopOrder, WorkOrder
from scheduling.pages.figures import Figure, figures
from shared.periods import local_day
from shared.translation import written


@dataclass(frozen=True)
class PartRow:
    """One part, in place or taken out."""

    pk: int
    position: str
    name: str
    serial: str
    lot: str
    installed_on: date
    removed_on: date | None
    reason: str
    wear: float | None = None
    governing_word: str = ""
    early_on: date | None = None
    likely_on: date | None = None
    late_on: date | None = None
    steps: list[str] = field(default_factory=list)
    corrected: list[Correction] = field(default_factory=list)


@dataclass(frozen=True)
class FindingRow:
    """One finding with its numbers."""

    kind_word: str
    tone: str
    why: str
    found_on: date
    gone_on: date | None
    gone_because: str
    steps: list[str]
    figures: list[Figure]
    law: tuple[str, str] | None


@dataclass(frozen=True)
class UnitPage:
    """The whole page, but for its charts."""

    unit: TreatmentUnit
    zone: str
    today: date
    parts: list[PartRow]
    past_parts: list[PartRow]
    findings: list[FindingRow]
    past_findings: list[FindingRow]
    orders: list[WorkOrder]
    """With ``planned``, in words, and ``is_late``."""
    past_orders: list[WorkOrder]
    visits: list[CloseOut]
    meter_readings: list[MeterReading]
    gauges: list[PerformanceReading]
    tests: list[FeedTest]
    """With ``whose`` and ``is_in_force``."""
    scaling: list[str]
    """Steps of the second opinion on scaling; empty before the first assessment."""
    flushes: list[Flush]
    readiness_changes: list[ReadinessChange]
    schematic: Schematic
    removed_membranes_at: list[datetime]
    positions: list[Position]
    swaps: list[UnitSwap]
    stays: list[UnitStay]


READINGS_SHOWN: Final = 12
LAW_OF_KIND: Final = {
    FindingKind.PERFORMANCE_DECAY: (gettext_lazy("Performance"), "performance"),
    FindingKind.CHANGE_DUE: (gettext_lazy("Use, wear and due dates"), "use-wear-and-due-dates"),
}
"""Shelf of the page of laws behind a kind of finding, and its place there."""
FINDING_TONES: Final = {
    FindingKind.REFLUSH_REQUIRED: "bad",
    FindingKind.PERFORMANCE_DECAY: "bad",
    FindingKind.CHANGE_DUE: "watch",
    FindingKind.METER_FAULT: "watch",
    FindingKind.READING_WANTED: "info",
    FindingKind.FEED_TEST_DUE: "info",
    FindingKind.CONTACT_TOO_SHORT: "watch",
}


def find_unit(serial: str, branch_id: int | None) -> TreatmentUnit | None:
    """Return a treatment unit with its site and state, None when there is none for this person."""
    units = TreatmentUnit.objects.select_related(
        "site__customer", "site__supply", "state__owed_part__position"
    )
    if branch_id:
        units = units.filter(site__branch_id=branch_id)
    return units.filter(serial=serial).first()


def unit_page(unit: TreatmentUnit, *, now: datetime, system: str) -> UnitPage:
    """Return the page of a treatment unit as found by ``find_unit``."""
    zone = unit.site.time_zone
    today = local_day(now, zone)
    parts = list(
        Part.objects.filter(treatment_unit=unit)
        .select_related("kind", "position", "state")
        .order_by("position__order", "-installed_at")
    )
    in_place = [part for part in parts if part.removed_at is None]
    findings = list(
        Finding.objects.filter(treatment_unit=unit).select_related("part__kind").order_by("-found_at")[:60]
    )
    gauges = list(
        PerformanceReading.objects.filter(treatment_unit=unit, is_latest=True).order_by("-read_at")[
            :READINGS_SHOWN
        ]
    )
    readings = list(
        MeterReading.objects.filter(treatment_unit=unit, is_latest=True)
        .select_related("meter")
        .order_by("-read_at")[:READINGS_SHOWN]
    )
    orders = _orders(unit, today)
    tests = feed_test_lines(unit.site)
    flushes = list(Flush.objects.filter(treatment_unit=unit).select_related("part__kind", "recorded_by")[:10])
    attach_corrections(
        {
            Corrected.PART: parts, Corrected.TOTAL: readings, Corrected.GAUGES: gauges,
            Corrected.FLUSH: flushes, Corrected.FEED_TEST: tests,
        }
    )  # fmt: skip
    membranes = [part for part in parts if part.kind.role == "membrane" and part.removed_at]
    return UnitPage(
        unit=unit,
        zone=zone,
        today=today,
        parts=[_part_row(part, zone, system) for part in in_place],
        past_parts=[_part_row(part, zone, system) for part in parts if part.removed_at],
        findings=[_finding_row(found, zone, system) for found in findings if not found.gone_at],
        past_findings=[_finding_row(found, zone, system) for found in findings if found.gone_at][:15],
        orders=[order for order in orders if order.state in ("open", "on_route")],
        past_orders=[order for order in orders if order.state not in ("open", "on_route")][:15],
        visits=list(
            CloseOut.objects.filter(order__treatment_unit=unit).select_related("order", "technician")[:15]
        ),
        meter_readings=readings,
        gauges=gauges,
        tests=tests,
        scaling=_scaling(unit, system),
        flushes=flushes,
        readiness_changes=list(ReadinessChange.objects.filter(treatment_unit=unit)[:10]),
        schematic=_schematic(unit, in_place, readings, gauges, system),
        removed_membranes_at=[part.removed_at for part in membranes],
        positions=list(unit.positions.all()),
        swaps=list(UnitSwap.objects.filter(Q(old=unit) | Q(new=unit)).select_related("old", "new")),
        stays=list(unit.stays.select_related("site")),
    )


def _scaling(unit: TreatmentUnit, system: str) -> list[str]:
    """Return the second opinion on scaling as of the assessment."""
    state = getattr(unit, "state", None)
    recovery = (state.recovery if state else None) or unit.design_recovery
    if state is None or not recovery:
        return []
    return scaling_steps(scaling_opinion(unit, recovery, state.assessed_at), system)


def _part_row(part: Part, zone: str, system: str) -> PartRow:
    state = getattr(part, "state", None)
    told = {}
    if state is not None and part.removed_at is None:
        told = {
            "wear": state.wear,
            "governing_word": state.get_governing_display() if state.governing else "",
            "early_on": state.early_on,
            "likely_on": state.likely_on,
            "late_on": state.late_on,
            "steps": wear_steps(state.numbers, state.governing, system),
        }
    return PartRow(
        pk=part.pk,
        corrected=part.corrected,
        position=part.position.code,
        name=part.kind.name,
        serial=part.serial,
        lot=part.lot,
        installed_on=local_day(part.installed_at, zone),
        removed_on=local_day(part.removed_at, zone) if part.removed_at else None,
        reason=part.get_removal_reason_display() or "",
        **told,
    )


def _finding_row(found: Finding, zone: str, system: str) -> FindingRow:
    steps = []
    if found.kind == FindingKind.CHANGE_DUE:
        limits = found.numbers.get("limits") or {}
        governing = max(
            limits, key=lambda name: (name == "performance", limits[name].get("wear") or 0), default=""
        )
        steps = wear_steps(found.numbers, governing, system)
    return FindingRow(
        kind_word=found.get_kind_display(),
        tone=FINDING_TONES[FindingKind(found.kind)],
        why=found.why,
        found_on=local_day(found.found_at, zone),
        gone_on=local_day(found.gone_at, zone) if found.gone_at else None,
        gone_because=found.gone_because or "",
        steps=steps,
        figures=[] if steps else figures(found.numbers, is_metric=system == "metric"),
        law=LAW_OF_KIND.get(FindingKind(found.kind)),
    )


def _orders(unit: TreatmentUnit, today: date) -> list[WorkOrder]:
    orders = list(WorkOrder.objects.filter(treatment_unit=unit).order_by("-raised_at", "-id")[:40])
    stops = StopOrder.objects.filter(order__in=orders, is_in_force=True).select_related(
        "stop__route__technician"
    )
    planned = {
        placed.order_id: f"{written(placed.stop.route.day, '%a')} {placed.stop.route.day.day} "
        f"{written(placed.stop.route.day, '%b')}, {placed.stop.route.technician.name}"
        for placed in stops
    }
    for order in orders:
        order.planned = planned.get(order.pk, "")
        order.is_late = order.state in ("open", "on_route") and order.window_to < today
    return orders


def feed_test_lines(site: Site) -> list[FeedTest]:
    """Return the site's own tests and its supply's, newest first; the newest own one is in force."""
    whose = Q(site=site) | Q(supply=site.supply) if site.supply_id else Q(site=site)
    rows = list(FeedTest.objects.filter(whose).order_by("-sampled_at", "id")[:10])
    own = next((row.pk for row in rows if row.site_id), None)
    in_force = own or (rows[0].pk if rows else None)
    for row in rows:
        row.whose = gettext("this site") if row.site_id else site.supply.name
        row.is_in_force = row.pk == in_force
    return rows


def _schematic(unit, in_place, readings, gauges, system) -> Schematic:
    by_position = {part.position_id: part for part in in_place}
    placed = []
    for position in unit.positions.order_by("order"):
        part = by_position.get(position.pk)
        state = getattr(part, "state", None) if part else None
        placed.append(
            PlacedPart(
                position.code, position.water, part.kind.role if part else "", part.kind.name if part else "",
                state.wear if state else None,
            )
        )  # fmt: skip
    meters: dict[str, str] = {}
    for reading in readings:
        meters.setdefault(
            reading.water,
            gettext("%(water)s meter: %(total)s")
            % {
                "water": reading.get_water_display(),
                "total": f"{reading.total:,.0f} {reading.meter.measure}",
            },
        )
    shown = {}
    if gauges:
        words = {
            "feed": gettext("Feed pressure"),
            "concentrate": gettext("Concentrate pressure"),
            "permeate": gettext("Permeate pressure"),
        }
        for name, word in words.items():
            value = getattr(gauges[0], f"{name}_pressure_psi")
            if value is not None:
                shown[name] = f"{word}: {show(value, 'psi', system)}"
    return lay_out(placed, meters, shown)
