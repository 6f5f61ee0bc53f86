"""A visit's form, declared once: what the page shows, what is read from it and what the phone asks for.

The plain page and the phone's queue send the same fields, read by the same rules. Nothing is written here.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from datetime import datetime
from typing import Any, Final

from django import forms
from django.utils.dateparse import parse_datetime
from django.utils.translation import gettext, gettext_lazy

from scheduling.models import NotDoneBecause, Outcome
from scheduling.pages.figures import quantity_of
from scheduling.visits.checks import WHY_NOT_DONE, VisitForm
from scheduling.visits.fields import (
    MinutesField,
    Need,
    NumberField,
    Problem,
    StrokesField,
    choice,
    hidden,
    text_line,
)
from scheduling.visits.unit_entry import UnitEntry
from scheduling.visits.unit_form import NO_OUTCOME, NO_REASON, WORKED, VisitNames
from scheduling.visits.visit_page import VisitPage
from shared.measures import Measure

FEED_TEST: Final[dict[str, str]] = {
    "free_chlorine_mg_l": gettext_lazy("Free chlorine"),
    "chloramine_mg_l": gettext_lazy("Chloramine"),
    "hardness_mg_l": gettext_lazy("Hardness"),
    "alkalinity_mg_l": gettext_lazy("Alkalinity"),
    "ph": "pH",
    "conductivity_us_cm": gettext_lazy("Conductivity"),
    "temperature_c": gettext_lazy("Temperature"),
    "tds_mg_l": gettext_lazy("Dissolved solids"),
    "iron_mg_l": gettext_lazy("Iron"),
    "turbidity_ntu": gettext_lazy("Turbidity"),
}
"""What a feed test may hold, in the order it is tested."""
AS_CACO3: Final = ("hardness_mg_l", "alkalinity_mg_l")
FIELD_MEANT: Final = {
    "performance": "feed_pressure_psi", "flush": "flush_volume", "volume_gal": "flush_volume",
}  # fmt: skip
"""Where on the page a refusal's field is, when it is called otherwise there."""
NO_NUMBER: Final = gettext_lazy("This form has no number of its own. Load the page again.")
MINUTES_MISSING: Final = gettext_lazy("Minutes on site are missing. Write how long you were here.")


class VisitEntry(VisitNames):
    """What a visit asks, filled with what was typed so far."""

    client_id = forms.UUIDField(
        widget=forms.HiddenInput, error_messages={"required": NO_NUMBER, "invalid": NO_NUMBER}
    )
    orders = hidden()
    finished_at = hidden()
    opened_at = hidden()
    photos = hidden()
    not_done = choice(gettext_lazy("Why"), NotDoneBecause.choices, NO_REASON)
    offer = text_line(gettext_lazy("When the customer says to come"), 160, autocomplete="off")
    minutes = MinutesField(gettext_lazy("Minutes on site"), keys="numeric")
    note = forms.CharField(
        label=gettext_lazy("Note"), required=False, widget=forms.Textarea(attrs={"rows": 3})
    )
    signed_by = text_line(gettext_lazy("Signed for on site by"), 120, autocomplete="off")
    signature = StrokesField(required=False, widget=forms.HiddenInput)

    def __init__(self, page: VisitPage, system: str, typed: Mapping[str, str] | None = None, **initial: Any):
        self.page = page
        outcomes = {one.pk: self.of_order(one, "outcome") for one in page.orders}
        super().__init__(
            None if typed is None else self._completed(typed, outcomes),
            auto_id="%s",
            initial={"minutes": page.minutes, "orders": ",".join(map(str, outcomes)), **initial},
        )
        first, *others = outcomes.values()
        self.needs = [Need(first, NO_OUTCOME, instead=others), Need("minutes", MINUTES_MISSING)]
        self.units = [UnitEntry(self, unit) for unit in page.units]
        other = {self.of_order(one, "because"): [NotDoneBecause.OTHER.value] for one in page.orders}
        self.needs.append(Need("note", gettext_lazy(WHY_NOT_DONE), when=other))
        for name, label in FEED_TEST.items() if page.asks_feed_test else ():
            as_caco3 = gettext("%(value)s as CaCO3") % {"value": Measure.MG_PER_LITRE.value}
            measure = as_caco3 if name in AS_CACO3 else ""
            self.fields[f"test__{name}"] = NumberField(label, quantity_of(name), measure=measure)
        for one in self.fields.values():
            if isinstance(one, NumberField):
                one.use(system)
        for unit in self.units:
            unit.expect(system)

    def _completed(self, typed: Mapping[str, str], outcomes: Mapping[int, str]) -> dict[str, str]:
        """Return what was typed; why the whole visit came to nothing stands for each order not spoken of."""
        # No keyboard makes a NUL, and PostgreSQL keeps none.
        data = {name: text.replace("\x00", "") for name, text in typed.items()}
        if data.get("not_done"):
            for one in self.page.orders:
                if not data.get(outcomes[one.pk]):
                    data[outcomes[one.pk]] = Outcome.NOT_DONE.value
                    data[self.of_order(one, "because")] = data["not_done"]
        for unit in self.page.units:
            for row in unit.positions:
                lot, serial, change = (
                    self.of_unit(unit, f"{name}__{row.code}") for name in ("lot", "serial", "change")
                )
                # The tick that stood there goes with its order that was not done, unless more was typed.
                outcome = data.get(outcomes.get(row.order_id, ""), Outcome.DONE)
                if outcome not in WORKED and not (data.get(lot) or data.get(serial)):
                    data.pop(change, None)
        return data

    def feed_test(self) -> list[forms.BoundField]:
        return [self[name] for name in self.fields if name.startswith("test__")]

    def needs_told(self) -> list[dict]:
        """Return what must be filled in, for the phone's script."""
        return [{**asdict(need), "text": str(need.text)} for need in self.needs]

    def clean(self) -> dict:
        data = super().clean()
        for need in self.needs:
            if need.is_missing(self.data):
                self.add_error(need.field, need.text)
        for unit in self.units:
            unit.check()
        return data

    def refuse(self, field: str, text: str) -> None:
        """Show a service's refusal at its field, if the page has it."""
        self.add_error(self.field_meant(field), text)

    def field_meant(self, field: str) -> str | None:
        """Return the page's field that a service's refusal names; ``o7:`` before it says of which order."""
        about, has_order, rest = field.partition(":") if field.startswith("o") else ("", "", field)
        if has_order and not about[1:].isdigit():
            about, rest = "", field
        one = next((one for one in self.page.orders if f"o{one.pk}" == about), self.page.orders[0])
        unit = next(unit for unit in self.page.units if one in unit.orders)
        name = rest.replace("step:", "step__")
        name = FIELD_MEANT.get(name, name)
        known = (self.of_unit(unit, name), self.of_order(one, name), name)
        return next((name for name in known if name in self.fields), None)

    def problems(self) -> list[Problem]:
        """Return everything that can't be right, in the order of the fields."""
        order = {name: place for place, name in enumerate(self.fields)}
        names = sorted(self.errors, key=lambda name: order.get(name, len(order)))
        return [Problem(name, text) for name in names for text in self.errors[name]]

    def report(self, finished_at: datetime) -> VisitForm:
        """Return what was typed, once it is valid, as what is written of the visit."""
        data = self.cleaned_data
        results = [one for unit in self.units for one in unit.results(finished_at)]
        planned = {one.pk: one.order.minutes for one in self.page.orders}
        shares = shared_out(round(data["minutes"]), [planned[one.order_id] for one in results])
        tests = {name: data.get(f"test__{name}") for name in FEED_TEST}
        return VisitForm(
            client_id=data["client_id"],
            results=[replace(one, minutes=share) for one, share in zip(results, shares, strict=True)],
            started_at=moment_of(data["opened_at"]),
            feed_test={name: value for name, value in tests.items() if value is not None},
        )


<<<<<<< HEAD
class UnitFields:
    """The part of a visit's form that one treatment unit is asked for."""

    def __init__(self, form: VisitEntry, unit: UnitHere):
        self.form, self.unit = form, unit
        self.prefix = form.of_unit(unit, "")
        self.outcomes = {one.pk: form.of_order(one, "outcome") for one in unit.orders}
        for one in unit.orders:
            self._add_order(one)
        for row in unit.positions:
            self._add_position(row)
        self.known = facts(mains_voltage=unit.treatment_unit.mains_voltage, roles=set(self._roles()))
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

    def gauges_open(self) -> bool:
        return self.unit.asks_gauges or any(one.value() or one.errors for one in self.gauges())

    # What is read.

    def _said(self, name: str) -> Any:
        return self.form.cleaned_data.get(self.named(name))

    def _reported(self, *among: str) -> list[OrderHere]:
        said = self.form.cleaned_data
        return [one for one in self.unit.orders if said.get(self.outcomes[one.pk]) in among]

    def _changed(self) -> list[PositionRow]:
        return [row for row in self.unit.positions if self._said(f"change__{row.code}")]

    def check(self) -> None:
        """Look at what hangs together within a unit."""
        volume, minutes = self.named("flush_volume"), self.named("flush_minutes")
        drained = self._said("flush_volume") or self._said("flush_minutes")
        if (
            self._said("flush_clear") == "yes"
            and not drained
            and not {volume, minutes} & set(self.form.errors)
        ):
            told = gettext("A flush that ran clear took water and time. Write how much drained.")
            self.form.add_error(volume, told)
        if self._reported(*WORKED, Outcome.NOT_DONE):
            for row in self._changed():
                self._check_change(row, self._change(row))

    def _change(self, row: PositionRow) -> PartChange:
        sent = {name: self._said(f"{name}__{row.code}") or "" for name in ("removed", "reason", "kind")}
        removed = int(sent["removed"]) if sent["removed"].isascii() and sent["removed"].isdigit() else None
        return PartChange(
            position_code=row.code,
            removal_reason=sent["reason"] if removed is not None else "",
            kind_code=sent["kind"],
            serial=self._said(f"serial__{row.code}")[:60],
            lot=self._said(f"lot__{row.code}")[:60],
            removed_part_id=removed,
            evidence={
                name: self._said(f"evidence__{row.code}")
                for name, _ in evidence_of(row)
                if self._said(f"evidence__{row.code}") is not None
            },
        )

    def _check_change(self, row: PositionRow, change: PartChange) -> None:
        told = {"code": row.code, "kind": repr(change.kind_code)}
        name, was_empty = self.named(f"change__{row.code}"), change.removed_part_id is None
        if change.kind_code and change.kind_code not in {option.code for option in row.options}:
            said = gettext("%(code)s: %(kind)s does not fit here. Choose a part from the list.")
            self.form.add_error(name, said % told)
        if not was_empty and change.removal_reason not in RemovalReason.values:
            self.form.add_error(name, gettext("%(code)s: say why the old part came out.") % told)
        if was_empty and not change.kind_code:
            said = gettext("%(code)s was empty and nothing was put in. Take the tick away.")
            self.form.add_error(name, said % told)

    def results(self, finished_at: datetime) -> list[CloseOutForm]:
        """Return what became of each order that is reported.

        What is asked of the unit once stands with the order whose work it is most; the others are told of it.
        """
        reported, worked = self._reported(*Outcome.values), self._reported(*WORKED)
        if not reported:
            return []
        bearer = max(worked or reported, key=self._weight)
        takers = {one.pk for one in worked}
        flush, total = self._flush(), self._said("meter_total")
        beside = ["flush"] * bool(flush) + ["meter_total"] * (total is not None)
        beside += ["bedding"] * bool(self._reported(Outcome.BEDDING))
        results = []
        for one in reported:
            is_bearer = one is bearer
            changes = [
                self._change(row)
                for row in self._changed()
                if row.order_id == one.pk or (is_bearer and row.order_id not in takers)
            ]
            results.append(
                CloseOutForm(
                    **self._told(one, finished_at),
                    part_changes=changes,
                    flush=flush if is_bearer else None,
                    meter_total=total if is_bearer else None,
                    performance=self._performance() if is_bearer else {},
                    as_found=self._read(FOUND) if is_bearer else {},
                    beside=() if is_bearer else beside,
                )
            )
        return results

    def _weight(self, one: OrderHere) -> tuple:
        outcome = self.form.cleaned_data[self.outcomes[one.pk]]
        needs_flush = bool(one.order.part and one.order.part.kind.needs_flush)
        kind = one.order.work_kind
        return outcome == Outcome.BEDDING, needs_flush, kind.needs_part, kind.closing is Closing.FLUSH

    def _told(self, one: OrderHere, finished_at: datetime) -> dict[str, Any]:
        form, data = self.form, self.form.cleaned_data
        # One order's own address has always used the phone's number itself.
        number = result_number(data["client_id"], one.pk) if form.page.is_of_stop else data["client_id"]
        return {
            "client_id": number,
            "order_id": one.pk,
            "technician_id": form.page.technician.pk,
            "outcome": data[self.outcomes[one.pk]],
            "not_done_because": data[form.of_order(one, "because")],
            "finished_at": finished_at,
            "minutes": 0,
            "steps": self._steps_of(one),
            "step_sheet_version": one.sheet.version if one.sheet else None,
            "note": data["note"][:LONGEST_NOTE],
            "signed_by": data["signed_by"][:120],
            "signature": data["signature"],
            "offer": data["offer"][:160] if data[self.outcomes[one.pk]] == Outcome.NOT_DONE else "",
        }

    def _steps_of(self, one: OrderHere) -> list[dict]:
        steps = []
        for step in one.sheet.steps if one.sheet else ():
            done = bool(self._said(f"step__{step['code']}"))
            if not done and not applies(step, self.known):
                continue
            why = "" if done else (self._said(f"why__{step['code']}") or "")[:160]
            steps.append({"code": step["code"], "done": done, "skipped_because": why})
        return steps

    def _flush(self) -> FlushForm | None:
        volume, minutes, clear = (self._said(f"flush_{name}") for name in ("volume", "minutes", "clear"))
        has_flush = volume is not None or minutes is not None or clear
        return FlushForm(volume or 0.0, minutes or 0.0, clear == "yes") if has_flush else None

    def _performance(self) -> dict:
        return {**self._read(), "saw_fines": True} if self._said("saw_fines") else self._read()

    def _read(self, when: str = "") -> dict[str, float]:
        read = {name: self._said(when + name) for name in GAUGES}
        return {name: value for name, value in read.items() if value is not None}


def evidence_of(row: PositionRow) -> list[tuple[str, str]]:
    """Return what is measured of the part at a position before it comes out."""
    return [EVIDENCE[role] for role in row.roles if role in EVIDENCE]


=======
>>>>>>> main
def shared_out(minutes: int, planned: Sequence[int]) -> list[int]:
    """Return whole minutes shared in proportion to what was planned for each; they add up."""
    weights = planned if sum(planned) else [1] * len(planned)
    ends = [round(minutes * sum(weights[: n + 1]) / sum(weights)) for n in range(len(weights))]
    return [end - begin for begin, end in zip([0, *ends], ends, strict=False)]


def moment_of(text: str) -> datetime | None:
    """Return a moment that a phone sent with its zone; None when it is none."""
    try:
        said = parse_datetime(text) if text else None
    except ValueError:
        return None
    return said if said is not None and said.tzinfo is not None else None


def orders_of(typed: Mapping[str, str]) -> list[int]:
    """Return the orders a form was made for."""
    return [int(text) for text in typed.get("orders", "").split(",") if _is_number(text)]


def versions_of(typed: Mapping[str, str], orders: Sequence[int]) -> dict[int, int | None]:
    """Return the version of the steps that was shown with each order."""
    found = {}
    for pk in orders:
        digits = typed.get("sheet_version" if len(orders) == 1 else f"sheet_version__o{pk}", "")
        found[pk] = int(digits) if _is_number(digits) and len(digits) < 5 else None
    return found


def _is_number(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) < 16
