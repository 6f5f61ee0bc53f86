"""The close-out form as rows to draw: every field with its name, what was typed, its hint and its problem."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from django.utils import timezone
from django.utils.translation import gettext

from fleet.display.figures import digits, measure_for, show
from scheduling.orders.kinds import WORK_KINDS
from scheduling.pages.figures import quantity_of
from scheduling.visits.close_out_page import CloseOutPage, PositionRow
from scheduling.visits.entry import FEED_TEST, EntryProblem
from scheduling.visits.readings import GaugeRow, MeterRow
from shared.measures import Measure, from_inside
from shared.translation import written

POSITION_FIELDS: Final = ("removed", "change", "reason", "kind", "lot", "serial")


@dataclass(frozen=True)
class StepField:
    """One step to tick, or a reason why not."""

    name: str
    why_name: str
    text: str
    is_hazard_control: bool
    is_done: bool
    why: str
    problem: str


@dataclass(frozen=True)
class PositionField:
    """One position in which a part may be changed."""

    row: PositionRow
    removed_name: str
    removed: str
    changed_name: str
    reason_name: str
    kind_name: str
    lot_name: str
    serial_name: str
    is_open: bool
    is_changed: bool
    reason: str
    kind: str
    lot: str
    serial: str
    lots: list[str]
    problem: str


@dataclass(frozen=True)
class NumberField:
    """One number to type, in the person's measure."""

    name: str
    label: str
    measure: str
    value: str
    help: str = ""
    low: str = ""
    high: str = ""
    problem: str = ""


@dataclass(frozen=True)
class CloseOutFields:
    """The whole form."""

    client_id: str
    finished_at: str
    opened_at: str
    steps: list[StepField]
    positions: list[PositionField]
    flush: list[NumberField]
    flush_clear: str
    flush_clear_problem: str
    flush_target: str
    volume_measure: str
    meter: NumberField | None
    gauges: list[NumberField]
    gauges_open: bool
    saw_fines: bool
    feed_test: list[NumberField]
    outcome: str
    outcome_problem: str
    minutes: str
    minutes_problem: str
    note: str
    note_problem: str
    signed_by: str
    signature: str
    signature_problem: str
    photos_problem: str


@dataclass(frozen=True)
class Typed:
    """What was typed so far and what is wrong with it."""

    values: Mapping[str, str]
    problems: Sequence[EntryProblem] = field(default_factory=list)

    def __getitem__(self, name: str) -> str:
        return self.values.get(name, "")

    def problem(self, name: str) -> str:
        """Return what is wrong with a field, or nothing."""
        return " ".join(one.message for one in self.problems if one.field == name)


def close_out_fields(page: CloseOutPage, typed: Typed, system: str) -> CloseOutFields:
    """Return the form for a page, filled with what was typed."""
    is_fresh = not typed.values
    volume = measure_for("gal", system)
    gauges = [_gauge(one, typed, system) for one in page.gauges]
    return CloseOutFields(
        client_id=typed["client_id"],
        finished_at=typed["finished_at"],
        opened_at=typed["opened_at"],
        steps=[
            StepField(
                name=f"step__{step.code}",
                why_name=f"why__{step.code}",
                text=step.text,
                is_hazard_control=step.is_hazard_control,
                is_done=bool(typed[f"step__{step.code}"]),
                why=typed[f"why__{step.code}"],
                problem=typed.problem(f"step__{step.code}"),
            )
            for step in page.steps
        ],
        positions=[_position(one, typed, page.kind, is_fresh) for one in page.positions],
        flush=[
            _flow(page, typed, system),
            NumberField("flush_volume", gettext("Drained"), volume.value, typed["flush_volume"],
                        problem=typed.problem("flush_volume")),
            NumberField("flush_minutes", gettext("Took"), "min", typed["flush_minutes"],
                        problem=typed.problem("flush_minutes")),
        ],
        flush_clear=typed["flush_clear"],
        flush_clear_problem=typed.problem("flush_clear"),
        flush_target=f"{from_inside(page.flush_gal, volume):.1f}" if page.flush_gal else "",
        volume_measure=volume.value,
        meter=_meter(page.meter, typed, page.zone) if page.meter else None,
        gauges=gauges,
        gauges_open=any(one.value or one.problem for one in gauges) or WORK_KINDS[page.kind].asks_gauges,
        saw_fines=bool(typed["saw_fines"]),
        feed_test=_feed_test(typed, system) if WORK_KINDS[page.kind].asks_feed_test else [],
        outcome=typed["outcome"],
        outcome_problem=typed.problem("outcome"),
        minutes=typed["minutes"] if not is_fresh else str(page.minutes),
        minutes_problem=typed.problem("minutes"),
        note=typed["note"],
        note_problem=typed.problem("note"),
        signed_by=typed["signed_by"],
        signature=typed["signature"],
        signature_problem=typed.problem("signature"),
        photos_problem=typed.problem("photos"),
    )  # fmt: skip


def _position(row: PositionRow, typed: Typed, kind: str, is_fresh: bool) -> PositionField:
    names = {name: f"{name}__{row.code}" for name in POSITION_FIELDS}
    asked = row.is_asked and WORK_KINDS[kind].needs_part
    chosen = typed[names["kind"]]
    if is_fresh and row.part_kind_code:
        chosen = row.part_kind_code
    lots = [lot for option in row.options for lot in option.lots]
    is_changed = bool(typed[names["change"]]) or (is_fresh and asked)
    problem = typed.problem(names["change"])
    return PositionField(
        row=row,
        removed_name=names["removed"],
        removed=typed[names["removed"]] if not is_fresh else str(row.part_pk or ""),
        changed_name=names["change"],
        reason_name=names["reason"],
        kind_name=names["kind"],
        lot_name=names["lot"],
        serial_name=names["serial"],
        is_open=asked or is_changed or bool(problem),
        is_changed=is_changed,
        reason=typed[names["reason"]] or ("worn" if asked else "early"),
        kind=chosen,
        lot=typed[names["lot"]],
        serial=typed[names["serial"]],
        lots=sorted(set(lots)),
        problem=problem,
    )


def _flow(page: CloseOutPage, typed: Typed, system: str) -> NumberField:
    measure = measure_for("gpm", system)
    expected = page.flush_gpm
    value = typed["flush_flow"] or (f"{from_inside(expected, measure):.2f}" if expected else "")
    return NumberField(
        "flush_flow",
        gettext("Flow, to count by the clock"),
        measure.value,
        value,
        problem=typed.problem("flush_flow"),
    )


def _meter(row: MeterRow, typed: Typed, zone: str) -> NumberField:
    if row.last_total is None:
        told = gettext("Never read before.")
    else:
        with timezone.override(zone):
            when = timezone.localtime(row.last_read_at)
        told = gettext("Last %(last_total)s %(measure)s on %(when)s.") % {
            "last_total": f"{row.last_total:,.10g}",
            "measure": row.measure,
            "when": written(when, "%d %b %Y"),
        }
        if row.low is not None:
            told += gettext(" Expect %(low)s to %(high)s.") % {
                "low": f"{row.low:,.0f}",
                "high": f"{row.high:,.0f}",
            }
    name = "meter_total"
    return NumberField(
        name=name,
        label=gettext("%(water_word)s meter%(value)s")
        % {"water_word": row.water_word, "value": f" {row.serial}" if row.serial else ""},
        measure=row.measure,
        value=typed[name],
        help=told,
        low="" if row.low is None else f"{row.low:.10g}",
        high="" if row.high is None else f"{row.high:.10g}",
        problem=typed.problem(name),
    )


def _gauge(row: GaugeRow, typed: Typed, system: str) -> NumberField:
    quantity = quantity_of(row.name)
    measure = measure_for(quantity, system)
    told = (
        gettext("Last %(last)s.") % {"last": show(row.last, quantity, system)}
        if row.last is not None
        else gettext("Not read before.")
    )
    if row.low is not None:
        low, high = from_inside(row.low, measure), from_inside(row.high, measure)
        told += gettext(" Usually %(low)s to %(high)s.") % {"low": digits(low), "high": digits(high)}
    return NumberField(
        name=row.name,
        label=row.label,
        measure=measure.value,
        value=typed[row.name],
        help=told,
        low="" if row.low is None else f"{from_inside(row.low, measure):.6g}",
        high="" if row.high is None else f"{from_inside(row.high, measure):.6g}",
        problem=typed.problem(row.name),
    )


def _feed_test(typed: Typed, system: str) -> list[NumberField]:
    rows = []
    for name, label in FEED_TEST.items():
        quantity = quantity_of(name)
        measure = measure_for(quantity, system).value if quantity else ""
        if "hardness" in name or "alkalinity" in name:
            measure = gettext("%(value)s as CaCO3") % {"value": Measure.MG_PER_LITRE.value}
        typed_name = f"test__{name}"
        rows.append(
            NumberField(typed_name, label, measure, typed[typed_name], problem=typed.problem(typed_name))
        )
    return rows
