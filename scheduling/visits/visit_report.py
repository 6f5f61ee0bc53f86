"""Reads what the customer's report of a visit says: in plain words, across its orders, without money."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from django.core import signing
from django.utils.translation import gettext

from fleet.display.figures import show
from fleet.models import PerformanceReading, RemovalEvidence, TreatmentUnit
from fleet.readings.flushes import CHLORINE_LIMIT_MG_L
from fleet.science.on_site import on_site
from scheduling.documents.paper import day
from scheduling.documents.visit_report import UnitVisited, VisitReport, WaterLine
from scheduling.models import STANDING_STATES, CloseOut, Outcome, Visit, WorkOrder
from scheduling.visits.documents import photo_lines
from shared.periods import local_day
from shared.translation import translate

TREND_POINTS: Final = 12
SALT: Final = "visit report"
LINK_LASTS: Final = timedelta(days=90)


def visit_for_report(pk: int, *, branch_id: int | None, person_id: int | None) -> Visit | None:
    """Return a visit with what stands of it, or None when there is none that this person may read."""
    found = Visit.objects.filter(close_outs__undone_at__isnull=True).select_related(
        "site__customer", "technician"
    )
    if branch_id:
        found = found.filter(site__branch_id=branch_id)
    if person_id:
        found = found.filter(technician__person_id=person_id)
    return found.filter(pk=pk).first()


def link_of(visit: Visit, system: str) -> str:
    """Return the secret part of an address that opens a visit's report in somebody's measures."""
    return signing.dumps([visit.pk, system], salt=SALT)


def visit_of_link(secret: str) -> tuple[Visit, str] | None:
    """Return the visit and the measures a link is for; None when it was not made here, or too long ago."""
    try:
        pk, system = signing.loads(secret, salt=SALT, max_age=LINK_LASTS)
    except signing.BadSignature:
        return None
    visit = visit_for_report(pk, branch_id=None, person_id=None)
    return (visit, system) if visit else None


def visit_report(visit: Visit, *, company: str, system: str) -> VisitReport:
    """Return what a customer is told of a visit, in a person's measures. What was undone is left out."""
    zone = ZoneInfo(visit.site.time_zone)
    rows = list(
        visit.close_outs.filter(undone_at__isnull=True)
        .select_related("order__treatment_unit", "flush")
        .prefetch_related("parts__removed__kind", "parts__installed__kind", "photos")
        .order_by("order_id")
    )
    by_unit: dict[int, list[CloseOut]] = {}
    for row in rows:
        by_unit.setdefault(row.order.treatment_unit_id, []).append(row)
    return VisitReport(
        company=company,
        number=f"V{visit.pk:06d}",
        customer=visit.site.customer.name,
        site=visit.site.name,
        technician=visit.technician.name,
        finished_at=visit.finished_at.astimezone(zone),
        minutes=sum(row.minutes for row in rows),
        units=[_unit(here, system) for here in by_unit.values()],
        note="\n".join(dict.fromkeys(row.note for row in rows if row.note)),
        next_visit=_next_visit(visit),
        photos=[photo for row in rows for photo in photo_lines(row, zone)],
        signed_by=next((row.signed_by for row in rows if row.signed_by), ""),
    )


def _unit(rows: Sequence[CloseOut], system: str) -> UnitVisited:
    unit = rows[0].order.treatment_unit
    found, left = (
        PerformanceReading.objects.filter(pk__in=[pk for pk in keys if pk]).first()
        for keys in (
            [row.as_found_reading_id for row in rows], [row.performance_reading_id for row in rows],
        )
    )  # fmt: skip
    removed = [change.removed_id for row in rows for change in row.parts.all() if change.removed_id]
    return UnitVisited(
        name=", ".join(filter(None, (unit.serial, unit.label))),
        done=[text for row in rows for text in _done(row)],
        water=_water(found, left, unit, system),
        seen=[
            _seen(one, system)
            for one in RemovalEvidence.objects.filter(part__in=removed).select_related("part__kind")
        ],
        trend=_trend(unit, rows[0]),
        promised_us_cm=unit.promised_conductivity_us_cm,
    )


def _done(row: CloseOut) -> list[str]:
    """Say what became of an order, and why it was there."""
    # What follows a semicolon says how it was reckoned, for those who check it.
    reason = translate(row.order.why).partition(";")[0].rstrip(".")
    why = gettext("Why: %(why)s") % {"why": f"{reason}."}
    if row.outcome == Outcome.NOT_DONE:
        because = row.get_not_done_because_display() if row.not_done_because else ""
        told = gettext("%(work)s could not be done%(because)s. We come again.")
        because = f": {because.lower()}" if because else ""
        return [f"{told % {'work': row.order.get_kind_display(), 'because': because}} {why}"]
    said = []
    for change in row.parts.all():
        if change.installed:
            said.append(gettext("%(part)s is new.") % {"part": change.installed.kind.name})
        elif change.removed:
            said.append(gettext("%(part)s was taken out.") % {"part": change.removed.kind.name})
    if row.flush and row.flush.volume_gal:
        said.append(gettext("Flushed until it ran clear.") if row.flush.ran_clear else gettext("Flushed."))
    if row.outcome == Outcome.BEDDING:
        said.append(gettext("It rests overnight and is flushed again; please draw no water until then."))
    return [" ".join([*(said or [row.order.get_kind_display() + "."]), why])]


def _water(
    found: PerformanceReading | None, left: PerformanceReading | None, unit: TreatmentUnit, system: str
) -> list[WaterLine]:
    """Return the measures a customer asks about, as far as they were read."""

    def told(name: str, quantity: str) -> list[str]:
        values = [getattr(reading, name) if reading else None for reading in (found, left)]
        return ["" if value is None else str(show(value, quantity, system)) for value in values]

    def share(name: str) -> list[str]:
        values = [getattr(on_site(vars(reading)), name) if reading else None for reading in (found, left)]
        return ["" if value is None else f"{100 * value:.1f} %" for value in values]

    promised = unit.promised_conductivity_us_cm
    most = gettext("at most %(value)s")
    limit = show(CHLORINE_LIMIT_MG_L, "mg_l", system)
    lines = [
        WaterLine(gettext("Conductivity of the water"), *told("permeate_conductivity_us_cm", "us_cm"),
                  most % {"value": show(promised, "us_cm", system)} if promised else ""),
        WaterLine(gettext("Salt held back"), *share("rejection")),
        WaterLine(gettext("Total chlorine behind the carbon"), *told("chlorine_after_carbon_mg_l", "mg_l"),
                  most % {"value": limit}),
        WaterLine(gettext("Flow of treated water"), *told("permeate_flow_gpm", "gpm")),
        WaterLine(gettext("Share of the water that is treated"), *share("recovery")),
    ]  # fmt: skip
    return [line for line in lines if line.found or line.left]


def _seen(evidence: RemovalEvidence, system: str) -> str:
    """Say what was measured of an old part before it came out."""
    told = {
        gettext("total chlorine behind it %(value)s"): (evidence.total_chlorine_behind_mg_l, "mg_l"),
        gettext("pressure drop across it %(value)s"): (evidence.delta_p_psi, "psi"),
        gettext("conductivity behind it %(value)s"): (evidence.permeate_conductivity_us_cm, "us_cm"),
    }
    said = [text % {"value": show(value, quantity, system)} for text, (value, quantity) in told.items()
            if value is not None]  # fmt: skip
    seen = {"part": evidence.part.kind.name, "told": ", ".join(said)}
    return gettext("Before it came out, %(part)s: %(told)s.") % seen


def _trend(unit: TreatmentUnit, row: CloseOut) -> list[tuple[date, float]]:
    readings = PerformanceReading.objects.filter(
        treatment_unit=unit, is_latest=True, read_at__lte=row.finished_at,
        permeate_conductivity_us_cm__isnull=False,
    ).order_by("-read_at")  # fmt: skip
    newest = readings.values_list("read_at", "permeate_conductivity_us_cm")[:TREND_POINTS]
    return [(local_day(at, row.order.site.time_zone), value) for at, value in reversed(newest)]


def _next_visit(visit: Visit) -> str:
    """Say what stands next at the site, and in which days."""
    standing = WorkOrder.objects.filter(site=visit.site, state__in=STANDING_STATES)
    first = standing.order_by("window_from", "pk").first()
    if first is None:
        return ""
    told = gettext("%(work)s, between %(first)s and %(last)s.")
    return told % {
        "work": first.get_kind_display(),
        "first": day(first.window_from),
        "last": day(first.window_to),
    }
