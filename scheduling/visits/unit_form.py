"""What one treatment unit of a visit is asked for: its fields, what is usual of them, their groups."""

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import Final

from django import forms
from django.utils import timezone
from django.utils.translation import gettext, gettext_lazy

from fleet.display.figures import digits, measure_for, show
from fleet.models import PartRole, RemovalReason
from fleet.science.on_site import REJECTION_LOSS, SHEET_TOLERANCE
from scheduling.models import NotDoneBecause, Outcome
from scheduling.orders.step_library import PARTS, PHASES, SOURCES, applies, condition_told, known_of
from scheduling.orders.steps import controls_of
from scheduling.pages.figures import quantity_of
from scheduling.visits.checks import excused_steps
from scheduling.visits.fields import (
    ClockField,
    Need,
    NumberField,
    PercentField,
    choice,
    hidden,
    select,
    text_line,
    tick,
)
from scheduling.visits.positions import PositionRow
from scheduling.visits.readings import GAUGES, GaugeRow, MeterRow
from scheduling.visits.visit_page import OrderHere, UnitHere, VisitPage
from shared.measures import from_inside, to_inside
from shared.translation import translate, written

RAN_CLEAR: Final = gettext_lazy("Say whether the flush ran clear. A flush without that clears nothing.")
RAN: Final = [
    ("yes", gettext_lazy("Yes, clear, no fines")), ("no", gettext_lazy("No, not yet clear")),
]  # fmt: skip
FOUND: Final = "found__"
"""Before the name of a gauge: as it was found, before anything was touched."""
BEHIND_OLD: Final = "total_chlorine_behind_mg_l", gettext_lazy("Total chlorine behind the old carbon")
EVIDENCE: Final[dict[str, tuple[str, str]]] = {
    PartRole.SEDIMENT: ("delta_p_psi", gettext_lazy("Pressure drop across the old part")),
    PartRole.CARBON: BEHIND_OLD,
    PartRole.CATALYTIC_CARBON: BEHIND_OLD,
    PartRole.MEMBRANE: ("permeate_conductivity_us_cm", gettext_lazy("Permeate conductivity before")),
}
"""What tells worn from changed early without asking anybody: measured before the part comes out."""

HOLDS: Final[dict[str, tuple[str, str]]] = {
    "look": ("visits/unit_found.html", gettext_lazy("Ask and look, touch nothing")),
    "work": ("visits/unit_parts.html", gettext_lazy("Parts changed")),
    "flush": ("visits/unit_flush.html", gettext_lazy("Flush to drain")),
    "leave": ("visits/unit_readings.html", gettext_lazy("Readings")),
}
"""What is filled in within a phase, and what it is called where the sheet has no step of that phase."""

NO_OUTCOME: Final = gettext_lazy("Choose how the visit ended.")
NO_REASON: Final = gettext_lazy("Choose one of the reasons.")

WHY_NOT: Final = gettext_lazy("Say why it could not be done.")
WORKED: Final = (Outcome.DONE, Outcome.BEDDING)
LEFT: Final = ("", gettext_lazy("Leave it open"))
"""What is not reported of an order of several: it stays on the day."""


class VisitNames(forms.Form):
    """What a visit's fields are called.

    What is asked once for the visit has a plain name, what is asked of each unit or order has its number in
    it; with one order all names are plain, as on the pages that phones keep.
    """

    page: VisitPage
    needs: list[Need]

    def of_order(self, one: OrderHere, name: str) -> str:
        """Return what a field of an order is called."""
        return name if self.page.is_single else f"{name}__o{one.pk}"

    def of_unit(self, unit: UnitHere, name: str) -> str:
        """Return what a field of a treatment unit is called."""
        return name if self.page.is_single else f"u{unit.pk}__{name}"


class UnitFields:
    """The part of a visit's form that one treatment unit is asked for."""

    def __init__(self, form: VisitNames, unit: UnitHere):
        self.form, self.unit = form, unit
        self.prefix = form.of_unit(unit, "")
        self.outcomes = {one.pk: form.of_order(one, "outcome") for one in unit.orders}
        for one in unit.orders:
            self._add_order(one)
        for row in unit.positions:
            self._add_position(row)
        self.known = known_of(unit.treatment_unit, set(self._roles()))
        for step in unit.steps:
            self._add_step(step["code"], step["text"], step)
        for name, made in (
            ("timer_started", hidden()), ("timer_seconds", hidden()),
            ("flush_flow", ClockField(gettext_lazy("Flow, to count by the clock"), "gpm")),
            ("flush_volume", NumberField(gettext_lazy("Drained"), "gal")),
            ("flush_minutes", NumberField(gettext_lazy("Took"), measure="min")),
            ("flush_clear", choice(gettext_lazy("Did it run clear?"), RAN, RAN_CLEAR)),
            ("meter_total", NumberField(gettext_lazy("The meter's total"))),
            ("saw_fines", tick(gettext_lazy("Fines or turbidity seen"))),
            *((f"{when}{name}", NumberField(label, quantity_of(name)))
              for when in ("", FOUND) for name, label in GAUGES.items()),
        ):  # fmt: skip
            form.fields[self.named(name)] = made
        flush = [self.named("flush_volume"), self.named("flush_minutes")]
        form.needs.append(Need(self.named("flush_clear"), RAN_CLEAR, beside=flush))

    def named(self, name: str) -> str:
        """Return what a field of this unit is called."""
        return self.prefix + name

    def _field(self, name: str) -> forms.BoundField:
        return self.form[self.named(name)]

    def _when(self, among: Sequence[str], orders: Sequence[OrderHere] | None = None) -> dict:
        asked = [one.pk for one in self.unit.orders if orders is None or one in orders]
        return {self.outcomes[pk]: [str(one) for one in among] for pk in asked}

    def _add_order(self, one: OrderHere) -> None:
        form, name = self.form, self.outcomes[one.pk]
        because, version = form.of_order(one, "because"), form.of_order(one, "sheet_version")
        left = [] if form.page.is_single else [LEFT]
        form.fields[name] = choice(gettext_lazy("Outcome"), [*Outcome.choices, *left], NO_OUTCOME)
        form.fields[because] = choice(gettext_lazy("Why"), NotDoneBecause.choices, NO_REASON)
        form.fields[version] = hidden()
        form.initial[version] = one.sheet.version if one.sheet else ""
        form.needs.append(Need(because, WHY_NOT, when={name: [Outcome.NOT_DONE.value]}, instead=["note"]))

    def _roles(self) -> Iterator[str]:
        """Yield what the parts that are ticked as changed do to the water."""
        form = self.form
        for row in self.unit.positions:
            name = self.named(f"change__{row.code}")
            if form.data.get(name) if form.is_bound else form.initial[name]:
                kind = form.data.get(self.named(f"kind__{row.code}"))
                yield from {one.role for one in row.options if one.code == kind} or row.roles

    def _add_step(self, code: str, text: str, step: dict) -> None:
        form, done, why = self.form, self.named(f"step__{code}"), self.named(f"why__{code}")
        is_control = bool(step.get("is_hazard_control"))
        form.fields[done] = tick(text, **({"data-control": why} if is_control else {}))
        form.fields[why] = text_line(gettext_lazy("Why not; the planner sees it"), 160)
        among = PARTS.get(step.get("when", ""))
        changed = [row.code for row in self.unit.positions if among and among & set(row.roles)]
        if is_control and (changed or applies(step, self.known)):
            told = gettext("“%(text)s” is safety-critical. Tick it when it is done, or write why it was not.")
            asking = [one for one in self.unit.orders if one.sheet and code in controls_of(one.sheet)]
            leaving = [one for one in Outcome if code in excused_steps(one)]
            form.needs.append(
                Need(
                    done, told % {"text": translate(text)}, when=self._when(WORKED, asking),
                    unless=self._when(leaving) if leaving else {}, instead=[why],
                    beside=[self.named(f"change__{row}") for row in changed],
                )
            )  # fmt: skip

    def _add_position(self, row: PositionRow) -> None:
        kinds = [(one.code, one.name) for one in row.options]
        attrs = {"autocomplete": "off", "autocapitalize": "characters"}
        asked = self._asks_change(row)
        reasons = select(RemovalReason.choices, gettext_lazy("Why it came out"))
        known = self.named(f"lot__{row.code}-known")
        for name, made, first in (
            ("removed", hidden(), row.part.pk if row.part else ""),
            ("change", tick(), asked),
            ("reason", reasons, RemovalReason.WORN if asked else RemovalReason.EARLY),
            ("kind", select(kinds, gettext_lazy("New part")), row.part.kind.code if row.part else ""),
            ("lot", text_line(gettext_lazy("Lot"), 60, list=known, **attrs), ""),
            ("serial", text_line(gettext_lazy("Serial"), 60, **attrs), ""),
            *(("evidence", NumberField(label, quantity_of(name)), None) for name, label in evidence_of(row)),
            *(
                (("sheet", PercentField(gettext_lazy("Rejection on the new one’s sheet")), None),)
                if row.sheet
                else ()
            ),
        ):
            self.form.fields[self.named(f"{name}__{row.code}")] = made
            self.form.initial[self.named(f"{name}__{row.code}")] = first

    def _asks_change(self, row: PositionRow) -> bool:
        return bool(row.is_asked and row.order and row.order.work_kind.needs_part)

    def expect(self, system: str) -> None:
        """Say what is usual of what is read here, in a person's measures."""
        unit, fields = self.unit, self.form.fields
        if unit.meter:
            name = self.named("meter_total")
            fields[name].label, fields[name].measure = _meter_label(unit.meter), unit.meter.measure
            told = _meter_told(unit.meter, unit.orders[0].order.site.time_zone)
            fields[name].expect(name, told, unit.meter.low, unit.meter.high)
        for row in unit.gauges:
            fields[self.named(row.name)].expect(self.named(row.name), *_gauge_expected(row, system))
        self.volume = fields[self.named("flush_volume")]
        self.flush_target = (
            f"{from_inside(unit.flush_gal, self.volume.typed_in):.1f}" if unit.flush_gal else ""
        )
        if unit.flush_gpm:
            flow = self.named("flush_flow")
            self.form.initial[flow] = f"{from_inside(unit.flush_gpm, fields[flow].typed_in):.2f}"

    # What the page draws, in its groups.

    def orders(self) -> Iterator[dict]:
        for one in self.unit.orders:
            names = ("outcome", "because", "sheet_version")
            yield {"here": one, **{name: self.form[self.form.of_order(one, name)] for name in names}}

    def phases(self) -> list[dict]:
        """Return the steps in their phases, each with its title; what is not called for is hidden."""
        groups: dict[str, list[dict]] = {}
        for step in self.unit.steps:
            code = step["code"]
            groups.setdefault(step.get("phase", ""), []).append(
                {
                    "tick": self._field(f"step__{code}"),
                    "why": self._field(f"why__{code}"),
                    "is_hazard_control": bool(step.get("is_hazard_control")),
                    "is_called_for": applies(step, self.known),
                    "told": condition_told(step, self.known),
                    "roles": " ".join(sorted(PARTS.get(step.get("when", ""), ()))),
                }
            )
        for phase in HOLDS:
            groups.setdefault(phase, [])
        places = list(PHASES)
        keys = sorted(groups, key=lambda phase: places.index(phase) if phase in places else -1)
        return [self._phase(phase, groups[phase]) for phase in keys]

    def _phase(self, phase: str, rows: list[dict]) -> dict:
        holds, title = HOLDS.get(phase, ("", ""))
        return {
            "title": PHASES.get(phase, gettext("Steps")) if rows else title,
            "source": SOURCES.get(phase, ""),
            "steps": rows,
            "has_controls": any(row["is_hazard_control"] for row in rows),
            "holds": holds,
            "has_errors": any(row["tick"].errors for row in rows) or self._has_errors(phase),
            "is_called_for": any(row["is_called_for"] for row in rows),
        }

    def _has_errors(self, phase: str) -> bool:
        ours = {
            "work": [self.named(f"change__{row.code}") for row in self.unit.positions],
            "flush": [self.named(name) for name in ("flush_volume", "flush_minutes", "flush_clear")],
            "leave": [self.named(name) for name in ("meter_total", *GAUGES)],
        }
        return self.form.is_bound and any(name in self.form.errors for name in ours.get(phase, ()))

    def positions(self) -> Iterator[dict]:
        for row in self.unit.positions:
            names = ["removed", "change", "reason", "kind", "lot", "serial"]
            names += ["evidence"] if evidence_of(row) else []
            names += ["sheet"] if row.sheet else []
            found = {name: self._field(f"{name}__{row.code}") for name in names}
            is_open = self._asks_change(row) or found["change"].value() or found["change"].errors
            outcome = self.outcomes.get(row.order_id, "")
            yield {"row": row, "is_open": bool(is_open), "outcome": outcome, **found}

    def asked(self) -> list[dict]:
        return [one for one in self.positions() if one["row"].is_asked]

    def others(self) -> list[dict]:
        return [one for one in self.positions() if not one["row"].is_asked]

    def others_open(self) -> bool:
        return any(one["is_open"] for one in self.others())

    def once(self) -> dict[str, forms.BoundField]:
        """Return what is asked of a unit once, by its plain name."""
        names = ("timer_started", "timer_seconds", "flush_flow", "flush_clear", "meter_total", "saw_fines")
        return {name: self._field(name) for name in names}

    def flush(self) -> list[forms.BoundField]:
        return [self._field("flush_volume"), self._field("flush_minutes")]

    def gauges(self) -> list[forms.BoundField]:
        return [self._field(name) for name in GAUGES]

    def as_found(self) -> list[forms.BoundField]:
        return [self._field(FOUND + name) for name in GAUGES]

    def live(self) -> dict:
        """Return what the phone needs to say what the gauges mean as they are typed."""
        fields = {name: self.form.fields[self.named(name)].typed_in for name in GAUGES}
        scales = {
            name: [to_inside(1, measure) - to_inside(0, measure), to_inside(0, measure)]
            for name, measure in fields.items()
            if measure
        }
        return {
            "scales": scales,
            "pressure": fields["feed_pressure_psi"],
            "temperature": fields["feed_temperature_c"],
            "usual": self.unit.usual,
            "membranes": [
                {
                    "code": row.code,
                    "sheet": asdict(row.sheet),
                    "kinds": {option.code: asdict(option.sheet) for option in row.options},
                }
                for row in self.unit.positions
                if row.sheet
            ],
            "tolerance": {"flow": SHEET_TOLERANCE, "rejection": REJECTION_LOSS},
        }

    def live_id(self) -> str:
        return self.named("live")

    def gauges_open(self) -> bool:
        return self.unit.asks_gauges or any(one.value() or one.errors for one in self.gauges())


def evidence_of(row: PositionRow) -> list[tuple[str, str]]:
    """Return what is measured of the part at a position before it comes out."""
    return [EVIDENCE[role] for role in row.roles if role in EVIDENCE]


def _meter_label(row: MeterRow) -> str:
    told = {"water_word": row.water_word, "value": f" {row.serial}" if row.serial else ""}
    return gettext("%(water_word)s meter%(value)s") % told


def _meter_told(row: MeterRow, zone: str) -> str:
    if row.last_total is None:
        return gettext("Never read before.")
    with timezone.override(zone):
        when = written(timezone.localtime(row.last_read_at), "%d %b %Y")
    last = {"last_total": f"{row.last_total:,.10g}", "measure": row.measure, "when": when}
    told = gettext("Last %(last_total)s %(measure)s on %(when)s.") % last
    if row.low is not None:
        usual = {"low": f"{row.low:,.0f}", "high": f"{row.high:,.0f}"}
        told += gettext(" Expect %(low)s to %(high)s.") % usual
    return told


def _gauge_expected(row: GaugeRow, system: str) -> tuple[str, float | None, float | None]:
    """Return what is told of a gauge, and where its next value is expected, in a person's measure."""
    quantity = quantity_of(row.name)
    if row.last is None:
        told = gettext("Not read before.")
    else:
        told = gettext("Last %(last)s.") % {"last": show(row.last, quantity, system)}
    if row.low is None:
        return told, None, None
    low, high = (from_inside(bound, measure_for(quantity, system)) for bound in (row.low, row.high))
    told += gettext(" Usually %(low)s to %(high)s.") % {"low": digits(low), "high": digits(high)}
    return told, low, high
