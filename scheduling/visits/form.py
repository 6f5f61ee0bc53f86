"""The close-out form, declared once: what the page shows, what is read from it and what the phone asks for.

The plain page and the phone's queue send the same fields, read by the same rules. A field is a line of
``CloseOutEntry`` (or of GAUGES, FEED_TEST); what must be filled in is a ``Need``. Nothing is written here.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any, Final, NamedTuple

from django import forms
from django.utils import timezone
from django.utils.translation import gettext, gettext_lazy

from fleet.display.figures import digits, measure_for, show
from fleet.models import RemovalReason
from scheduling.models import Outcome
from scheduling.pages.figures import quantity_of
from scheduling.visits.checks import (
    MOST_MINUTES,
    WHY_NOT_DONE,
    CloseOutForm,
    FlushForm,
    PartChange,
    excused_steps,
)
from scheduling.visits.close_out_page import CloseOutPage, PositionRow
from scheduling.visits.readings import GAUGES, GaugeRow, MeterRow
from scheduling.visits.signature import checked_strokes
from shared.measures import Measure, from_inside, to_inside
from shared.translation import translate, written

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
LONGEST_NOTE: Final = 4000
"""Characters of a note; what is beyond it is cut off."""
FIELD_MEANT: Final = {
    "performance": "feed_pressure_psi", "flush": "flush_volume", "volume_gal": "flush_volume",
}  # fmt: skip
"""Where on the page a refusal's field is, when it is called otherwise there."""
_THOUSANDS: Final = re.compile(r"[+-]?\d{1,3}(,\d{3})+(\.\d*)?")
_PLAIN: Final = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)")
NO_NUMBER: Final = gettext_lazy("This form has no number of its own. Load the page again.")
RAN_CLEAR: Final = gettext_lazy("Say whether the flush ran clear. A flush without that clears nothing.")


@dataclass(frozen=True)
class Need:
    """A field that must be filled in; the phone's script reads it, too, so that nobody drives off without."""

    field: str
    text: str
    only: Sequence[str] = ()
    """Outcomes it is asked with; none: all."""
    unless: Sequence[str] = ()
    """Outcomes that excuse it."""
    beside: Sequence[str] = ()
    """Asked only when one of these fields is filled in; none: always."""
    instead: str = ""
    """A field that may be filled in in its place."""

    def is_missing(self, typed: Mapping[str, str]) -> bool:
        """Say whether it is asked for by what was typed, and not there."""

        def has(name: str) -> bool:
            return bool(typed.get(name, "").strip())

        outcome = typed.get("outcome", "")
        if outcome in self.unless or (self.only and outcome not in self.only):
            return False
        if self.beside and not any(map(has, self.beside)):
            return False
        return not has(self.field) and not has(self.instead)


NEEDS: Final = [
    Need("outcome", gettext_lazy("Choose how the visit ended.")),
    Need("minutes", gettext_lazy("Minutes on site are missing. Write how long you were here.")),
    Need("note", gettext_lazy(WHY_NOT_DONE), only=[Outcome.NOT_DONE]),
    Need("flush_clear", RAN_CLEAR, unless=[Outcome.NOT_DONE], beside=["flush_volume", "flush_minutes"]),
]


class Problem(NamedTuple):
    """One field that can't be right, and what would mend it."""

    field: str
    message: str


def read_number(text: str) -> float | None:
    """Read a number as people type it: 1234.5, 1,234.5 or 1234,5. None when it is not one."""
    tight = text.strip().replace(" ", "").replace("\u00a0", "").replace("−", "-")
    if _THOUSANDS.fullmatch(tight):
        return float(tight.replace(",", ""))
    if _PLAIN.fullmatch(tight):
        return float(tight.replace(",", "."))
    return None


class NumberField(forms.Field):
    """A number as typed, in a person's measure; cleaned it is in the working one."""

    def __init__(self, label: str, quantity: str | None = None, *, measure: str = "", keys: str = "decimal"):
        super().__init__(label=label, required=False)
        self.quantity, self.measure, self.typed_in = quantity, measure, None
        self.widget.attrs = {"inputmode": keys, "autocomplete": "off"}

    def use(self, system: str) -> None:
        """Take numbers in a person's measures."""
        if self.quantity:
            self.typed_in = measure_for(self.quantity, system)
            self.measure = self.measure or self.typed_in.value

    def expect(self, name: str, told: str, low: float | None, high: float | None) -> None:
        """Say below the field what is usual; the phone remarks on what lies outside."""
        self.help_text = told
        bounds = ("" if bound is None else f"{bound:.10g}" for bound in (low, high))
        self.widget.attrs |= dict(zip(("data-low", "data-high"), bounds, strict=True))
        self.widget.attrs["aria-describedby"] = f"{name}-help"

    def clean(self, value: str | None) -> float | None:
        text = (value or "").strip()
        if not text:
            return None
        number, told = read_number(text), {"label": self.label, "text": repr(text)}
        if number is None:
            said = gettext("%(label)s: %(text)s is not a number. Write digits, e.g. 12.5.")
            raise forms.ValidationError(said % told)
        if number < 0 and self.quantity != "c":
            said = gettext("%(label)s: %(text)s is below zero. Check the sign.")
            raise forms.ValidationError(said % {**told, "text": text})
        return to_inside(number, self.typed_in) if self.typed_in else number


class MinutesField(NumberField):
    """Minutes on site."""

    def clean(self, value: str | None) -> float | None:
        minutes = super().clean(value)
        if minutes is not None and minutes > MOST_MINUTES:
            said = gettext("%(minutes)s minutes can't be. Write 0 to 1440.")
            raise forms.ValidationError(said % {"minutes": f"{minutes:g}"})
        return minutes


class ClockField(NumberField):
    """A flow the phone's clock counts by; nobody else looks at it."""

    def clean(self, value: str | None) -> None:
        return None


class StrokesField(forms.CharField):
    """A signature as the phone draws it."""

    def clean(self, value: str | None) -> str:
        try:
            return checked_strokes(value or "")
        except ValueError as error:
            raise forms.ValidationError(str(error)) from error


def _hidden(**given: Any) -> forms.CharField:
    return forms.CharField(required=False, widget=forms.HiddenInput, **given)


def _text(label: str, longest: int, **attrs: str) -> forms.CharField:
    """Return a field of one line; what a phone sends beyond its length is cut off, never refused."""
    attrs = {"maxlength": longest, **attrs}
    return forms.CharField(label=label, required=False, widget=forms.TextInput(attrs=attrs))


def _tick(label: str = "", **attrs: str) -> forms.BooleanField:
    return forms.BooleanField(
        label=label, required=False, widget=forms.CheckboxInput(attrs={"value": "1", **attrs})
    )


def _choice(label: str, choices: list, refusal: str) -> forms.ChoiceField:
    return forms.ChoiceField(
        label=label, choices=choices, required=False, widget=forms.RadioSelect,
        error_messages={"invalid_choice": refusal},
    )  # fmt: skip


class CloseOutEntry(forms.Form):
    """What closing out one order asks, filled with what was typed so far."""

    client_id = forms.UUIDField(
        widget=forms.HiddenInput, error_messages={"required": NO_NUMBER, "invalid": NO_NUMBER}
    )
    finished_at = _hidden()
    opened_at = _hidden()
    timer_started = _hidden()
    timer_seconds = _hidden()
    sheet_version = _hidden()
    flush_flow = ClockField(gettext_lazy("Flow, to count by the clock"), "gpm")
    flush_volume = NumberField(gettext_lazy("Drained"), "gal")
    flush_minutes = NumberField(gettext_lazy("Took"), measure="min")
    flush_clear = _choice(
        gettext_lazy("Did it run clear?"),
        [("yes", gettext_lazy("Yes, clear, no fines")), ("no", gettext_lazy("No, not yet clear"))],
        RAN_CLEAR,
    )
    meter_total = NumberField(gettext_lazy("The meter's total"))
    saw_fines = _tick(gettext_lazy("Fines or turbidity seen"))
    photos = _hidden()
    outcome = _choice(gettext_lazy("Outcome"), Outcome.choices, NEEDS[0].text)
    minutes = MinutesField(gettext_lazy("Minutes on site"), keys="numeric")
    note = forms.CharField(
        label=gettext_lazy("Note"), required=False, widget=forms.Textarea(attrs={"rows": 3})
    )
    signed_by = _text(gettext_lazy("Signed for on site by"), 120, autocomplete="off")
    signature = StrokesField(required=False, widget=forms.HiddenInput)

    def __init__(
        self, page: CloseOutPage, system: str, typed: Mapping[str, str] | None = None, **initial: Any
    ):
        # No keyboard makes a NUL, and PostgreSQL keeps none.
        data = None if typed is None else {name: text.replace("\x00", "") for name, text in typed.items()}
        super().__init__(data, auto_id="%s", initial={"minutes": page.order.minutes, **initial})
        self.page, self.needs = page, list(NEEDS)
        for step in page.steps:
            self._add_step(step["code"], step["text"], bool(step.get("is_hazard_control")))
        for row in page.positions:
            self._add_position(row)
        if page.meter:
            self.fields["meter_total"].label = _meter_label(page.meter)
            self.fields["meter_total"].measure = page.meter.measure
            told = _meter_told(page.meter, page.order.site.time_zone)
            self.fields["meter_total"].expect("meter_total", told, page.meter.low, page.meter.high)
        for name, label in GAUGES.items():
            self.fields[name] = NumberField(label, quantity_of(name))
        for name, label in FEED_TEST.items() if page.order.work_kind.asks_feed_test else ():
            as_caco3 = gettext("%(value)s as CaCO3") % {"value": Measure.MG_PER_LITRE.value}
            measure = as_caco3 if name in AS_CACO3 else ""
            self.fields[f"test__{name}"] = NumberField(label, quantity_of(name), measure=measure)
        for field in self.fields.values():
            if isinstance(field, NumberField):
                field.use(system)
        for row in page.gauges:
            self.fields[row.name].expect(row.name, *_gauge_expected(row, system))
        self.volume = self.fields["flush_volume"]
        self.flush_target = (
            f"{from_inside(page.flush_gal, self.volume.typed_in):.1f}" if page.flush_gal else ""
        )
        if page.flush_gpm:
            expected = from_inside(page.flush_gpm, self.fields["flush_flow"].typed_in)
            self.initial["flush_flow"] = f"{expected:.2f}"

    def _add_step(self, code: str, text: str, is_control: bool) -> None:
        tick, why = f"step__{code}", f"why__{code}"
        self.fields[tick] = _tick(text, **({"data-control": why} if is_control else {}))
        self.fields[why] = _text(gettext_lazy("Why not; the planner sees it"), 160)
        if is_control:
            told = gettext("“%(text)s” is safety-critical. Tick it when it is done, or write why it was not.")
            excused = [one for one in Outcome if code in excused_steps(one)]
            self.needs.append(
                Need(tick, told % {"text": translate(text)}, unless=[Outcome.NOT_DONE, *excused], instead=why)
            )

    def _add_position(self, row: PositionRow) -> None:
        kinds = [(one.code, one.name) for one in row.options]
        attrs = {"autocomplete": "off", "autocapitalize": "characters"}
        asked = self._asks_change(row)
        reasons = _select(RemovalReason.choices, gettext_lazy("Why it came out"))
        for name, field, first in (
            ("removed", _hidden(), row.part.pk if row.part else ""),
            ("change", _tick(), asked),
            ("reason", reasons, RemovalReason.WORN if asked else RemovalReason.EARLY),
            ("kind", _select(kinds, gettext_lazy("New part")), row.part.kind.code if row.part else ""),
            ("lot", _text(gettext_lazy("Lot"), 60, list=f"lot__{row.code}-known", **attrs), ""),
            ("serial", _text(gettext_lazy("Serial"), 60, **attrs), ""),
        ):
            self.fields[f"{name}__{row.code}"] = field
            self.initial[f"{name}__{row.code}"] = first

    def _asks_change(self, row: PositionRow) -> bool:
        return row.is_asked and self.page.order.work_kind.needs_part

    # What the page draws, in its groups.

    def steps(self) -> Iterator[dict]:
        for step in self.page.steps:
            tick, why = self[f"step__{step['code']}"], self[f"why__{step['code']}"]
            yield {"tick": tick, "why": why, "is_hazard_control": bool(step.get("is_hazard_control"))}

    def positions(self) -> Iterator[dict]:
        for row in self.page.positions:
            names = ("removed", "change", "reason", "kind", "lot", "serial")
            found = {name: self[f"{name}__{row.code}"] for name in names}
            is_open = self._asks_change(row) or found["change"].value() or found["change"].errors
            yield {"row": row, "is_open": bool(is_open), **found}

    def flush(self) -> list[forms.BoundField]:
        return [self["flush_flow"], self["flush_volume"], self["flush_minutes"]]

    def gauges(self) -> list[forms.BoundField]:
        return [self[name] for name in GAUGES]

    def gauges_open(self) -> bool:
        return self.page.order.work_kind.asks_gauges or any(
            one.value() or one.errors for one in self.gauges()
        )

    def feed_test(self) -> list[forms.BoundField]:
        return [self[name] for name in self.fields if name.startswith("test__")]

    def needs_told(self) -> list[dict]:
        """Return what must be filled in, for the phone's script."""
        return [{**asdict(need), "text": str(need.text)} for need in self.needs]

    # What is read.

    def clean(self) -> dict:
        data = super().clean()
        for need in self.needs:
            if need.is_missing(self.data):
                self.add_error(need.field, need.text)
        clear, drained = data.get("flush_clear"), data.get("flush_volume") or data.get("flush_minutes")
        if clear == "yes" and not drained and not {"flush_volume", "flush_minutes"} & set(self.errors):
            told = gettext("A flush that ran clear took water and time. Write how much drained.")
            self.add_error("flush_volume", told)
        for row in self.page.positions:
            if data.get(f"change__{row.code}"):
                self._check_change(row, self._change(row))
        return data

    def _change(self, row: PositionRow) -> PartChange:
        sent = {name: self.cleaned_data[f"{name}__{row.code}"] for name in ("removed", "reason", "kind")}
        removed = int(sent["removed"]) if sent["removed"].isascii() and sent["removed"].isdigit() else None
        return PartChange(
            position_code=row.code,
            removal_reason=sent["reason"] if removed is not None else "",
            kind_code=sent["kind"],
            serial=self.cleaned_data[f"serial__{row.code}"][:60],
            lot=self.cleaned_data[f"lot__{row.code}"][:60],
            removed_part_id=removed,
        )

    def _check_change(self, row: PositionRow, change: PartChange) -> None:
        told = {"code": row.code, "kind": repr(change.kind_code)}
        name, was_empty = f"change__{row.code}", change.removed_part_id is None
        if change.kind_code and change.kind_code not in {option.code for option in row.options}:
            said = gettext("%(code)s: %(kind)s does not fit here. Choose a part from the list.")
            self.add_error(name, said % told)
        if not was_empty and change.removal_reason not in RemovalReason.values:
            self.add_error(name, gettext("%(code)s: say why the old part came out.") % told)
        if was_empty and not change.kind_code:
            said = gettext("%(code)s was empty and nothing was put in. Take the tick away.")
            self.add_error(name, said % told)

    def refuse(self, field: str, text: str) -> None:
        """Show a service's refusal at its field, if the page has it."""
        name = shown_field(field)
        self.add_error(name if name in self.fields else None, text)

    def problems(self) -> list[Problem]:
        """Return everything that can't be right, in the order of the fields."""
        order = {name: place for place, name in enumerate(self.fields)}
        names = sorted(self.errors, key=lambda name: order.get(name, len(order)))
        return [Problem(name, text) for name in names for text in self.errors[name]]

    def report(self, finished_at: datetime) -> CloseOutForm:
        """Return what was typed, once it is valid, as what closes the order."""
        data = self.cleaned_data
        performance = {name: data[name] for name in GAUGES if data[name] is not None}
        volume, minutes, clear = (data[f"flush_{name}"] for name in ("volume", "minutes", "clear"))
        has_flush = volume is not None or minutes is not None or clear
        steps = []
        for step in self.page.steps:
            done = data[f"step__{step['code']}"]
            why = "" if done else data[f"why__{step['code']}"][:160]
            steps.append({"code": step["code"], "done": done, "skipped_because": why})
        changed = [row for row in self.page.positions if data[f"change__{row.code}"]]
        return CloseOutForm(
            client_id=data["client_id"],
            order_id=self.page.order.pk,
            technician_id=self.page.technician.pk,
            outcome=data["outcome"],
            finished_at=finished_at,
            minutes=round(data["minutes"]),
            steps=steps,
            step_sheet_version=sheet_version(data),
            part_changes=[self._change(row) for row in changed],
            flush=FlushForm(volume or 0.0, minutes or 0.0, clear == "yes") if has_flush else None,
            meter_total=data["meter_total"],
            performance={**performance, "saw_fines": True} if data["saw_fines"] else performance,
            note=data["note"][:LONGEST_NOTE],
            signed_by=data["signed_by"][:120],
            signature=data["signature"],
        )

    def tested(self) -> dict[str, float]:
        """Return what was tested of the feed water, in working measures."""
        tests = {name: self.cleaned_data.get(f"test__{name}") for name in FEED_TEST}
        return {name: value for name, value in tests.items() if value is not None}


def sheet_version(typed: Mapping[str, str]) -> int | None:
    """Return the version of the steps that were shown when this was typed."""
    digits = typed.get("sheet_version", "")
    return int(digits) if digits.isascii() and digits.isdigit() and len(digits) < 5 else None


def shown_field(field: str) -> str:
    """Return what the page calls the field a service's refusal names."""
    name = field.replace("step:", "step__")
    return FIELD_MEANT.get(name, name)


def _select(choices: list, label: str) -> forms.CharField:
    # Not a ChoiceField: what stands at a position nobody touched is never looked at.
    return forms.CharField(label=label, required=False, widget=forms.Select(choices=choices))


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
