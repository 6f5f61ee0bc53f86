"""Which treatment units get labels, and what a technician sees who scans one."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from django.db.models import Exists, OuterRef, Q, QuerySet
from django.utils.translation import gettext

from fleet.models import Flush, Part, Site, TreatmentUnit, UnitState
from scheduling.documents.paper import Label
from scheduling.models import (
    STANDING_STATES,
    CloseOut,
    StockLevel,
    StockPlace,
    StopOrder,
    Technician,
)
from scheduling.orders.selectors import number_of
from scheduling.orders.steps import current_cautions
from scheduling.visits.visit_page import past_visits, readiness_word

VISITS_SHOWN: Final = 8
FLUSHES_SHOWN: Final = 5
PART_MARK: Final = "TAPWARD-PART"
"""With what a part's code begins; then kind, lot and serial, each on a line of its own."""


@dataclass(frozen=True)
class UnitOnSite:
    """A treatment unit for somebody who stands before it. No money, no other sites."""

    state: UnitState | None
    readiness_word: str
    cautions: list[str]
    parts: QuerySet[Part]
    visits: list[CloseOut]
    flushes: QuerySet[Flush]
    orders: list[tuple[int, str, str]]


def units_to_label(
    *, words: str, area: str, branch_id: int | None, serials: Sequence[str] = ()
) -> QuerySet[TreatmentUnit]:
    """Return treatment units by serial, site, customer or label; every one when nothing is asked."""
    units = TreatmentUnit.objects.select_related("site").order_by("site__name", "serial")
    if branch_id:
        units = units.filter(site__branch_id=branch_id)
    if area:
        units = units.filter(site__area=area)
    if serials:
        units = units.filter(serial__in=serials)
    for word in words.split():
        units = units.filter(
            Q(serial__icontains=word)
            | Q(label__icontains=word)
            | Q(site__name__icontains=word)
            | Q(site__customer__name__icontains=word)
        )
    return units


def part_labels(place: StockPlace, *, company: str) -> list[Label]:
    """Return a label for each piece at a place: its code says kind and lot, as the phone reads it."""
    labels = []
    held = StockLevel.objects.filter(place=place, quantity__gt=0).select_related("kind")
    for level in held.order_by("kind__name", "lot"):
        label = Label(
            address="\n".join((PART_MARK, level.kind.code, level.lot)),
            serial=level.kind.code,
            line=", ".join(
                text
                for text in (level.kind.name, level.lot and gettext("lot %(lot)s") % {"lot": level.lot})
                if text
            ),
            company=company,
            foot=gettext("Scan it when closing out."),
        )
        labels += [label] * level.quantity
    return labels


def areas(branch_id: int | None) -> list[str]:
    """Return the areas with treatment units."""
    sites = Site.objects.exclude(area="").filter(Exists(TreatmentUnit.objects.filter(site=OuterRef("pk"))))
    if branch_id:
        sites = sites.filter(branch_id=branch_id)
    return list(sites.order_by("area").values_list("area", flat=True).distinct())


def own_orders_here(technician: Technician, unit: TreatmentUnit, today: date) -> list[tuple[int, str, str]]:
    """Return what is still to be done at a unit on this technician's route today: stop, number, kind."""
    placed = StopOrder.objects.filter(
        is_in_force=True,
        stop__route__technician=technician,
        stop__route__day=today,
        order__treatment_unit=unit,
        order__state__in=STANDING_STATES,
    ).select_related("order")
    return [(one.stop_id, number_of(one.order_id), one.order.get_kind_display()) for one in placed]


def unit_on_site(unit: TreatmentUnit, technician: Technician, today: date) -> UnitOnSite:
    """Return the unit's parts, readiness and past visits. Six queries."""
    state = getattr(unit, "state", None)
    parts = Part.objects.in_place().filter(treatment_unit=unit)
    return UnitOnSite(
        state=state,
        readiness_word=readiness_word(state),
        # Of every sheet in use: whoever scans a label may be about to open something.
        cautions=current_cautions(),
        parts=parts.select_related("kind", "position", "state").order_by("position__order"),
        visits=past_visits(unit.pk, VISITS_SHOWN),
        flushes=Flush.objects.filter(treatment_unit=unit)[:FLUSHES_SHOWN],
        orders=own_orders_here(technician, unit, today),
    )
