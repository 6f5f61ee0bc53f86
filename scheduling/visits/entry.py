"""Checks a signature as the phone sends it. Nothing is written here.

Turns what a technician typed, as form fields, into the form that closes an order. Nothing is written here.

A stroke is a list of points [x, y]. Both run from 0 to 1000 in thousandths of the box's width, so that the
proportions stay; x to the right, y downwards.

The plain page and the phone's queue send the same fields, so both are read by the same rules.
"""

import json
import re
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Final

from django.utils.translation import gettext, gettext_lazy

from fleet.display.figures import measure_for
from fleet.models import RemovalReason
from scheduling.models import Outcome
from scheduling.pages.figures import quantity_of
from scheduling.visits.checks import CloseOutForm, FlushForm, PartChange
from scheduling.visits.close_out_page import CloseOutPage, PositionRow
from scheduling.visits.readings import GAUGES
from shared.measures import to_inside
from shared.messages import message

FURTHEST: Final = 1000
MOST_STROKES: Final = 200
MOST_POINTS: Final = 4000
MOST_CHARACTERS: Final = 60_000
AGAIN: Final = message("Clear the box and have it signed again, or write the name only.")


def checked_strokes(text: str) -> str:
    """Return the strokes as JSON in one spelling; nothing drawn is an empty text.

    Raises ValueError, with the remedy, for anything that is no list of strokes or too much of it.
    """
    if not text.strip():
        return ""
    if len(text) > MOST_CHARACTERS:
        raise ValueError(f"The signature is longer than {MOST_CHARACTERS:,} characters. {AGAIN}")
    try:
        strokes = json.loads(text)
    except (ValueError, RecursionError):
        raise ValueError(f"The signature is not readable. {AGAIN}") from None
    if not isinstance(strokes, list) or not all(isinstance(stroke, list) for stroke in strokes):
        raise ValueError(f"The signature is no list of strokes. {AGAIN}")
    strokes = [stroke for stroke in strokes if stroke]
    if len(strokes) > MOST_STROKES or sum(map(len, strokes)) > MOST_POINTS:
        raise ValueError(
            f"The signature has more than {MOST_STROKES} strokes or {MOST_POINTS} points. {AGAIN}"
        )
    if not all(_is_point(point) for stroke in strokes for point in stroke):
        raise ValueError(f"The signature has points outside 0 to {FURTHEST}. {AGAIN}")
    whole = [[[round(x), round(y)] for x, y in stroke] for stroke in strokes]
    return json.dumps(whole, separators=(",", ":")) if whole else ""


def _is_point(point: object) -> bool:
    return isinstance(point, list) and len(point) == 2 and all(_is_place(value) for value in point)


def _is_place(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value <= FURTHEST


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
_THOUSANDS: Final = re.compile(r"[+-]?\d{1,3}(,\d{3})+(\.\d*)?")
_PLAIN: Final = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)")
LONGEST: Final = 4000
"""Characters of a note."""


@dataclass(frozen=True)
class EntryProblem:
    """One field that can't be right, and what would mend it."""

    field: str
    message: str


@dataclass(frozen=True)
class Entry:
    """What was read: the form, feed-water values, or the problems."""

    form: CloseOutForm | None
    feed_test: dict[str, float] = field(default_factory=dict)
    problems: list[EntryProblem] = field(default_factory=list)


def read_entry(typed: Mapping[str, str], page: CloseOutPage, *, system: str, finished_at: datetime) -> Entry:
    """Read the fields of one close-out. ``system`` is the measures they were typed in.

    Returns problems, every one of them, instead of a form when something can't be right.
    """
    # No keyboard makes a NUL, and PostgreSQL keeps none.
    typed = {name: value.replace("\x00", "") for name, value in typed.items()}
    reader = _Reader(typed)
    client_id = reader.client_id()
    outcome = reader.outcome()
    minutes = reader.number("minutes", gettext("Minutes on site"))
    if minutes is None:
        reader.refuse("minutes", gettext("Minutes on site are missing. Write how long you were here."))
    elif not 0 <= minutes <= 1440:
        reader.refuse(
            "minutes", gettext("%(minutes)s minutes can't be. Write 0 to 1440.") % {"minutes": f"{minutes:g}"}
        )
    flush = _flush(reader, system)
    total = reader.number("meter_total", gettext("The meter's total"))
    gauges = {name: reader.measured(name, label, system) for name, label in GAUGES.items()}
    performance: dict = {name: value for name, value in gauges.items() if value is not None}
    if typed.get("saw_fines"):
        performance["saw_fines"] = True
    tests = {
        name: reader.measured(f"test__{name}", label, system, named=name) for name, label in FEED_TEST.items()
    }
    note = typed.get("note", "").strip()
    if outcome == Outcome.NOT_DONE and not note:
        reader.refuse("note", gettext("Say in the note why it could not be done."))
    changes = [change for row in page.positions if (change := _change(reader, row))]
    steps = _steps(reader, page, outcome)
    signature = _signature(reader)
    if reader.problems or client_id is None:
        return Entry(None, problems=reader.problems)
    form = CloseOutForm(
        client_id=client_id,
        order_id=page.order_pk,
        technician_id=page.technician_pk,
        outcome=outcome,
        finished_at=finished_at,
        minutes=round(minutes or 0),
        steps=steps,
        step_sheet_version=reader.whole("sheet_version"),
        part_changes=changes,
        flush=flush,
        meter_total=total,
        performance=performance,
        note=note[:LONGEST],
        signed_by=typed.get("signed_by", "").strip()[:120],
        signature=signature,
    )
    return Entry(form, feed_test={name: value for name, value in tests.items() if value is not None})


def read_number(text: str) -> float | None:
    """Read a number as people type it: 1234.5, 1,234.5 or 1234,5. None when it is not one."""
    tight = text.strip().replace(" ", "").replace("\u00a0", "").replace("−", "-")
    if _THOUSANDS.fullmatch(tight):
        return float(tight.replace(",", ""))
    if _PLAIN.fullmatch(tight):
        return float(tight.replace(",", "."))
    return None


class _Reader:
    """Reads fields one by one and collects what is wrong."""

    def __init__(self, typed: Mapping[str, str]) -> None:
        self.typed = typed
        self.problems: list[EntryProblem] = []

    def refuse(self, name: str, message: str) -> None:
        self.problems.append(EntryProblem(name, message))

    def client_id(self) -> uuid.UUID | None:
        try:
            return uuid.UUID(self.typed.get("client_id", ""))
        except ValueError:
            self.refuse("client_id", gettext("This form has no number of its own. Load the page again."))
            return None

    def outcome(self) -> str:
        outcome = self.typed.get("outcome", "")
        if outcome not in Outcome.values:
            self.refuse("outcome", gettext("Choose how the visit ended."))
        return outcome

    def number(self, name: str, label: str) -> float | None:
        text = self.typed.get(name, "").strip()
        if not text:
            return None
        value = read_number(text)
        if value is None:
            self.refuse(
                name,
                gettext("%(label)s: %(text)s is not a number. Write digits, e.g. 12.5.")
                % {"label": label, "text": f"{text!r}"},
            )
        elif value < 0 and quantity_of(name) != "c":
            self.refuse(
                name,
                gettext("%(label)s: %(text)s is below zero. Check the sign.")
                % {"label": label, "text": text},
            )
            return None
        return value

    def measured(self, name: str, label: str, system: str, *, named: str = "") -> float | None:
        value = self.number(name, label)
        quantity = quantity_of(named or name)
        if value is None or quantity is None:
            return value
        return to_inside(value, measure_for(quantity, system))

    def whole(self, name: str) -> int | None:
        text = self.typed.get(name, "").strip()
        return int(text) if text.isascii() and text.isdigit() else None


def _signature(reader: _Reader) -> str:
    try:
        return checked_strokes(reader.typed.get("signature", ""))
    except ValueError as error:
        reader.refuse("signature", str(error))
        return ""


def _flush(reader: _Reader, system: str) -> FlushForm | None:
    volume = reader.number("flush_volume", gettext("Drained"))
    minutes = reader.number("flush_minutes", gettext("Minutes of flushing"))
    clear = reader.typed.get("flush_clear", "")
    if volume is None and minutes is None and not clear:
        return None
    if clear not in ("yes", "no"):
        reader.refuse(
            "flush_clear", gettext("Say whether the flush ran clear. A flush without that clears nothing.")
        )
    if clear == "yes" and not (volume or minutes):
        reader.refuse(
            "flush_volume", gettext("A flush that ran clear took water and time. Write how much drained.")
        )
    gallons = to_inside(volume or 0.0, measure_for("gal", system))
    return FlushForm(volume_gal=gallons, minutes=minutes or 0.0, ran_clear=clear == "yes")


def _change(reader: _Reader, row: PositionRow) -> PartChange | None:
    code, typed = row.code, reader.typed
    name = f"change__{code}"
    if not typed.get(name):
        return None
    kind, reason = typed.get(f"kind__{code}", ""), typed.get(f"reason__{code}", "")
    removed = reader.whole(f"removed__{code}")
    if kind and kind not in {option.code for option in row.options}:
        reader.refuse(
            name,
            gettext("%(code)s: %(kind)s does not fit here. Choose a part from the list.")
            % {"code": code, "kind": f"{kind!r}"},
        )
    if removed is not None and reason not in RemovalReason.values:
        reader.refuse(name, gettext("%(code)s: say why the old part came out.") % {"code": code})
    if removed is None and not kind:
        reader.refuse(
            name, gettext("%(code)s was empty and nothing was put in. Take the tick away.") % {"code": code}
        )
    return PartChange(
        position_code=code,
        removal_reason=reason if removed is not None else "",
        kind_code=kind,
        serial=typed.get(f"serial__{code}", "").strip()[:60],
        lot=typed.get(f"lot__{code}", "").strip()[:60],
        removed_part_id=removed,
    )


def _steps(reader: _Reader, page: CloseOutPage, outcome: str) -> list[dict]:
    """Return every step with its tick or reason. A hazard control needs one of the two."""
    record = []
    for step in page.steps:
        done = bool(reader.typed.get(f"step__{step.code}"))
        why = reader.typed.get(f"why__{step.code}", "").strip()[:160]
        is_excused = outcome == Outcome.NOT_DONE or (outcome == Outcome.BEDDING and step.code == "flush")
        if step.is_hazard_control and not done and not why and not is_excused:
            reader.refuse(
                f"step__{step.code}",
                gettext("“%(text)s” guards people. Tick it when it is done, or write why it was not.")
                % {"text": step.text},
            )
        record.append({"code": step.code, "done": done, "skipped_because": "" if done else why})
    return record
