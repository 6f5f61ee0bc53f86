"""Everything that happened to one customer, site or treatment unit: when, who, by which door, old and new."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from django.db.models import Q, QuerySet, TextChoices
from django.utils.translation import gettext, gettext_lazy

from fleet.models import (
    AuditEntry,
    Correction,
    Customer,
    FeedTest,
    Finding,
    Flush,
    MeterReading,
    Part,
    PerformanceReading,
    ReadinessChange,
    Site,
    TreatmentUnit,
)
from scheduling.models import CloseOut, CloseOutPart, RevenueEntry, WorkOrderEvent
from shared.translation import translate

MOST: Final = 3000
"""So many of each kind are looked at; days narrow it."""


class EventKind(TextChoices):
    """What a line of the history is about."""

    VISIT = "visit", gettext_lazy("Visit")
    PART = "part", gettext_lazy("Part")
    FLUSH = "flush", gettext_lazy("Flush")
    FINDING = "finding", gettext_lazy("Finding")
    ORDER = "order", gettext_lazy("Work order")
    FEED_TEST = "feed_test", gettext_lazy("Feed test")
    CORRECTION = "correction", gettext_lazy("Correction")
    EDIT = "edit", gettext_lazy("Change")
    MONEY = "money", gettext_lazy("Money")
    READING = "reading", gettext_lazy("Reading")


USUAL: Final = tuple(kind for kind in EventKind if kind is not EventKind.READING)
"""Shown where nothing else is asked for: readings are many."""


EVIDENCE: Final = {
    "total_chlorine_behind_mg_l": gettext_lazy("total chlorine behind it %(value)s mg/L"),
    "delta_p_psi": gettext_lazy("pressure drop across it %(value)s psi"),
    "permeate_conductivity_us_cm": gettext_lazy("permeate conductivity before %(value)s µS/cm"),
}
"""What is measured of a part before it comes out, as told."""


@dataclass(frozen=True)
class Event:
    """One line."""

    at: datetime
    kind: EventKind
    serial: str
    what: str
    detail: str = ""
    was: str = ""
    became: str = ""
    who: str = ""
    door: str = ""
    order_id: int | None = None
    corrects: tuple[str, int] | None = None
    """What and which row was corrected: it can be corrected again, or back."""


@dataclass(frozen=True)
class About:
    """Of what the history is: its treatment units and sites."""

    title: str
    code: str
    of: str
    units: QuerySet[TreatmentUnit]
    sites: QuerySet[Site]


@dataclass(frozen=True)
class Wanted:
    """Which lines: kinds, from a moment until before another."""

    kinds: tuple[EventKind, ...] = USUAL
    first: datetime | None = None
    until: datetime | None = None

    def within(self, field: str) -> Q:
        """Return the days as a condition on a column."""
        held = Q(**{f"{field}__isnull": False})
        held &= Q(**{f"{field}__gte": self.first}) if self.first else Q()
        return held & (Q(**{f"{field}__lt": self.until}) if self.until else Q())


def about(of: str, code: str, branch_id: int | None) -> About | None:
    """Return what a history is of, as far as a branch sees it; None where there is none."""
    sites = Site.objects.filter(branch_id=branch_id) if branch_id else Site.objects.all()
    if of == "unit":
        unit = TreatmentUnit.objects.filter(serial=code, site__in=sites).first()
        return unit and About(
            unit.serial, code, of, TreatmentUnit.objects.filter(pk=unit.pk), Site.objects.none()
        )
    if of == "site":
        site = sites.filter(code=code).first()
        mine = site and sites.filter(pk=site.pk)
    else:
        site = Customer.objects.filter(code=code, sites__in=sites).first()
        mine = site and sites.filter(customer=site)
    return mine and About(site.name, code, of, TreatmentUnit.objects.filter(site__in=mine), mine)


def events(found: About, wanted: Wanted, *, with_money: bool, with_edits: bool) -> list[Event]:
    """Return the lines, newest first. A constant number of queries."""
    sources = {
        EventKind.VISIT: _visits, EventKind.PART: _parts, EventKind.FLUSH: _flushes,
        EventKind.FINDING: _findings, EventKind.ORDER: _orders, EventKind.FEED_TEST: _tests,
        EventKind.CORRECTION: _corrections, EventKind.READING: _readings,
    }  # fmt: skip
    if with_money:
        sources[EventKind.MONEY] = _money
    if with_edits:
        sources[EventKind.EDIT] = _edits
    lines = [event for kind in wanted.kinds if kind in sources for event in sources[kind](found, wanted)]
    return sorted(lines, key=lambda event: event.at, reverse=True)


def _visits(found: About, wanted: Wanted) -> Iterator[Event]:
    rows = CloseOut.objects.filter(order__treatment_unit__in=found.units).select_related(
        "order__treatment_unit", "technician", "undone_by"
    )
    for row in rows.filter(wanted.within("finished_at")).order_by("-finished_at")[:MOST]:
        yield Event(
            row.finished_at, EventKind.VISIT, row.order.treatment_unit.serial,
            f"{row.order.get_kind_display()}: {row.get_outcome_display()}", row.note, who=row.technician.name,
            door=gettext("Technician's phone"), order_id=row.order_id,
        )  # fmt: skip
    for row in rows.filter(wanted.within("undone_at")).order_by("-undone_at")[:MOST]:
        yield Event(
            row.undone_at, EventKind.VISIT, row.order.treatment_unit.serial, gettext("Close-out undone"),
            row.undone_because, who=str(row.undone_by), door=gettext("Page"), order_id=row.order_id,
        )  # fmt: skip


def _parts(found: About, wanted: Wanted) -> Iterator[Event]:
    rows = Part.objects.filter(treatment_unit__in=found.units).select_related(
        "treatment_unit", "position", "kind", "removal_evidence"
    )
    came = list(rows.filter(wanted.within("installed_at")).order_by("-installed_at")[:MOST])
    went = list(rows.filter(wanted.within("removed_at")).order_by("-removed_at")[:MOST])
    changes = CloseOutPart.objects.filter(close_out__order__treatment_unit__in=found.units).select_related(
        "close_out__technician", "close_out__order"
    )
    put_in = {change.installed_id: change.close_out for change in changes}
    taken_out = {change.removed_id: change.close_out for change in changes}
    for part in came:
        yield _part_event(part, part.installed_at, put_in.get(part.pk), "", _name(part))
    for part in went:
        reason = part.get_removal_reason_display()
        told = "; ".join([str(reason), *_evidence(part)])
        yield _part_event(part, part.removed_at, taken_out.get(part.pk), _name(part), "", told)


def _part_event(
    part: Part, at: datetime, visit: CloseOut | None, was: str, became: str, reason: str = ""
) -> Event:
    what = gettext("%(code)s: part out") if was else gettext("%(code)s: part in")
    because = str(translate(visit.order.why)) if visit and was else ""
    return Event(
        at, EventKind.PART, part.treatment_unit.serial, what % {"code": part.position.code},
        ". ".join(filter(None, (reason, because))), was, became, who=visit.technician.name if visit else "",
        door=gettext("Technician's phone") if visit else "", order_id=visit.order_id if visit else None,
    )  # fmt: skip


def _evidence(part: Part) -> Iterator[str]:
    """Yield what was measured of a part before it came out, in working measures."""
    row = getattr(part, "removal_evidence", None)
    for column, told in EVIDENCE.items() if row else ():
        if (value := getattr(row, column)) is not None:
            yield told % {"value": f"{value:g}"}


def _name(part: Part) -> str:
    return " ".join(filter(None, (part.kind.name, part.serial, part.lot)))


def _flushes(found: About, wanted: Wanted) -> Iterator[Event]:
    rows = Flush.objects.filter(wanted.within("flushed_at"), treatment_unit__in=found.units)
    for row in rows.select_related("treatment_unit", "recorded_by").order_by("-flushed_at")[:MOST]:
        clear = gettext("ran clear") if row.ran_clear else gettext("not clear")
        yield Event(
            row.flushed_at, EventKind.FLUSH, row.treatment_unit.serial, str(row.get_kind_display()),
            f"{row.volume_gal:g} gal, {row.minutes:g} min, {clear}",
            who=str(row.recorded_by) if row.recorded_by else "",
        )  # fmt: skip


def _findings(found: About, wanted: Wanted) -> Iterator[Event]:
    rows = Finding.objects.filter(treatment_unit__in=found.units).select_related("treatment_unit")
    itself = gettext("by itself")
    for row in rows.filter(wanted.within("found_at")).order_by("-found_at")[:MOST]:
        yield Event(row.found_at, EventKind.FINDING, row.treatment_unit.serial, str(row.get_kind_display()),
                    str(translate(row.why)), door=itself)  # fmt: skip
    for row in rows.filter(wanted.within("gone_at")).order_by("-gone_at")[:MOST]:
        what = gettext("%(kind)s: resolved") % {"kind": row.get_kind_display()}
        yield Event(row.gone_at, EventKind.FINDING, row.treatment_unit.serial, what,
                    str(translate(row.gone_because)), door=itself)  # fmt: skip
    changes = ReadinessChange.objects.filter(wanted.within("changed_at"), treatment_unit__in=found.units)
    for row in changes.select_related("treatment_unit").order_by("-changed_at")[:MOST]:
        yield Event(row.changed_at, EventKind.FINDING, row.treatment_unit.serial, gettext("Readiness"),
                    str(translate(row.because)), row.was, str(row.get_became_display()),
                    door=itself)  # fmt: skip


def _orders(found: About, wanted: Wanted) -> Iterator[Event]:
    rows = WorkOrderEvent.objects.filter(wanted.within("at"), order__treatment_unit__in=found.units)
    for row in rows.select_related("order__treatment_unit", "by").order_by("-at")[:MOST]:
        yield Event(
            row.at, EventKind.ORDER, row.order.treatment_unit.serial,
            f"{row.order.get_kind_display()}: {translate(row.what)}", str(translate(row.detail)),
            who=str(row.by) if row.by else "", order_id=row.order_id,
        )  # fmt: skip


def _tests(found: About, wanted: Wanted) -> Iterator[Event]:
    sites = found.sites if found.of != "unit" else Site.objects.filter(treatment_units__in=found.units)
    rows = FeedTest.objects.filter(wanted.within("sampled_at"), site__in=sites).select_related("site")
    for row in rows.order_by("-sampled_at")[:MOST]:
        values = (("free_chlorine_mg_l", "Cl2"), ("hardness_mg_l", gettext("hardness")), ("ph", "pH"))
        told = ", ".join(
            f"{word} {getattr(row, name):g}" for name, word in values if getattr(row, name) is not None
        )
        yield Event(row.sampled_at, EventKind.FEED_TEST, "", row.site.name, told, door=row.source)


def _corrections(found: About, wanted: Wanted) -> Iterator[Event]:
    sites = found.sites if found.of != "unit" else Site.objects.filter(treatment_units__in=found.units)
    mine = Q(treatment_unit__in=found.units) | Q(site__in=sites)
    rows = Correction.objects.filter(mine, wanted.within("at")).select_related("treatment_unit", "by")
    for row in rows.order_by("-at", "-pk")[:MOST]:
        yield Event(
            row.at, EventKind.CORRECTION, row.treatment_unit.serial if row.treatment_unit else "",
            f"{row.get_of_display()}: {row.about}, {row.field}", row.reason, row.was, row.became,
            who=str(row.by) if row.by else "", door=str(row.get_door_display()),
            corrects=(row.of, row.now_id),
        )  # fmt: skip


def _edits(found: About, wanted: Wanted) -> Iterator[Event]:
    """Return what the trail says of these units and sites by their serials and codes."""
    codes = {*found.units.values_list("serial", flat=True), *found.sites.values_list("code", flat=True)}
    if found.of == "customer":
        codes.add(found.code)
    listed = sorted(codes)[:900]
    rows = AuditEntry.objects.filter(wanted.within("at"), about__in=listed).select_related("by")
    for row in rows.order_by("-at")[:MOST]:
        yield Event(
            row.at, EventKind.EDIT, row.about, str(translate(row.what)), str(translate(row.detail)),
            who=str(row.by) if row.by else "",
        )  # fmt: skip


def _money(found: About, wanted: Wanted) -> Iterator[Event]:
    mine = Q(treatment_unit__in=found.units) | Q(site__in=found.sites)
    rows = RevenueEntry.objects.filter(mine, wanted.within("entered_at"))
    for row in rows.select_related("treatment_unit", "entered_by").order_by("-entered_at", "-pk")[:MOST]:
        yield Event(
            row.entered_at, EventKind.MONEY, row.treatment_unit.serial if row.treatment_unit else "",
            str(row.get_kind_display()), str(translate(row.text)), became=f"{row.amount:,.2f}",
            who=str(row.entered_by) if row.entered_by else "",
        )  # fmt: skip


def _readings(found: About, wanted: Wanted) -> Iterator[Event]:
    rows = MeterReading.objects.filter(
        wanted.within("read_at"), treatment_unit__in=found.units, is_latest=True
    )
    for row in rows.select_related("treatment_unit", "meter").order_by("-read_at")[:MOST]:
        yield Event(
            row.read_at, EventKind.READING, row.treatment_unit.serial, str(row.get_water_display()),
            str(translate(row.doubt or "")), became=f"{row.total:,.10g} {row.meter.measure}",
            door=str(row.get_source_display()),
        )  # fmt: skip
    gauges = PerformanceReading.objects.filter(
        wanted.within("read_at"), treatment_unit__in=found.units, is_latest=True
    )
    for row in gauges.select_related("treatment_unit").order_by("-read_at")[:MOST]:
        yield Event(
            row.read_at, EventKind.READING, row.treatment_unit.serial, gettext("Gauges and flows"),
            door=str(row.get_source_display()),
        )  # fmt: skip
