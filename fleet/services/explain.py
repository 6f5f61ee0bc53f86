"""How each figure of one treatment unit came about, in words a person can redo by hand."""

import json
from dataclasses import asdict
from datetime import datetime

from fleet.learned_words import learned_words
from fleet.models import Finding, LimitName, PartState, TreatmentUnit
from fleet.queries.scaling_opinion import ScalingOpinion, scaling_opinion
from fleet.scaling_words import scaling_steps
from shared.errors import CannotDo

LIMIT_LAW = {
    LimitName.VOLUME: "water seen ÷ rated or learned gallons",
    LimitName.CALENDAR: "months in place ÷ rated months",
    LimitName.CHLORINE_DOSE: "∫ gallons × chlorine ÷ (rated gallons × challenge concentration)",
    LimitName.HARDNESS_LOAD: "gallons and months × hardness ÷ what the rating allows, the larger",
    LimitName.OXIDANT_EXPOSURE: "∫ chlorine after carbon × running hours ÷ tolerance",
    LimitName.PRESSURE_DROP: "ln(drop ÷ clean drop) ÷ ln(terminal drop ÷ clean drop), along the water seen",
    LimitName.MEASURED_END: "a measurement says it is used up",
}


def explain_unit(serial: str, now: datetime, *, as_json: bool = False) -> str:
    """Return the figures of a treatment unit and its parts as text or JSON.

    Raises CannotDo when there is no such unit or it was never assessed.
    """
    unit = TreatmentUnit.objects.select_related("state", "site").filter(serial=serial).first()
    if unit is None:
        raise CannotDo(
            f"There is no treatment unit {serial!r}.", remedy="Check the serial in the fleet list."
        )
    if not hasattr(unit, "state"):
        raise CannotDo(f"{serial} was never assessed.", remedy="Run manage.py assess first.")
    states = PartState.objects.filter(treatment_unit=unit).select_related("part__kind", "part__position")
    states = sorted(states, key=lambda s: s.part.position.order)
    findings = Finding.objects.filter(treatment_unit=unit, gone_at__isnull=True)
    state = unit.state
    opinion = scaling_opinion(unit, state.recovery or unit.design_recovery, state.assessed_at)
    if as_json:
        return json.dumps(_as_data(unit, states, findings, opinion), default=str)
    return "\n".join(_as_text(unit, states, findings, opinion))


def part_lines(state: PartState) -> list[str]:
    """Explain one part: inputs, then each limit, the governing one first named."""
    n = state.numbers
    source = "measured flows" if n.get("recovery_is_measured") else "the set-point"
    use = (
        "the design duty (no usable reading)"
        if n.get("is_design_duty")
        else (f"{n.get('readings_used')} readings")
    )
    lines = [
        f"in place since {n.get('installed_on')}, saw {n.get('seen_gal') or 0:,.0f} gal; "
        f"use {n.get('permeate_gal_per_day') or 0:,.1f} gal/day permeate from {use}, "
        f"recovery {n.get('recovery') or 0:.0%} from {source}",
    ]
    lines += learned_words(n)
    for name, limit in n.get("limits", {}).items():
        mark = "governs" if name == state.governing else "does not govern"
        due = f", reached about {limit['due_on']}" if limit.get("due_on") else ""
        lines.append(
            f"{LimitName(name).label}: {limit['wear'] or 0:.1%} used ({LIMIT_LAW[LimitName(name)]})"
            f"{due}; {mark}"
        )
    if n.get("membrane_life_lost_per_week"):
        lines.append(
            f"left in a week more it spends {n['membrane_life_lost_per_week']:.2%} of the membrane's "
            f"tolerance of chlorine beyond what fresh carbon would (leak of carbon, integrated)"
        )
    if state.likely_on:
        lines.append(f"due early {state.early_on}, likely {state.likely_on}, late {state.late_on}")
    return lines


def _as_text(unit, states, findings, opinion):
    state = unit.state
    yield f"{unit.serial} at {unit.site.name}: {state.get_readiness_display()}, as of {state.assessed_at}"
    for part_state in states:
        yield f"- {part_state.part.position.code}: {part_state.part.kind.name}"
        for line in part_lines(part_state):
            yield f"    {line}"
    if state.flow_change is not None:
        yield (
            f"- performance against baseline: normalised flow {state.flow_change:+.1%} "
            f"(raw {state.raw_flow_change or 0:+.1%}), salt passage {state.passage_change or 0:+.1%}"
            f"{', ' + state.get_pattern_display().lower() if state.pattern else ''}"
        )
    yield "- scaling of the concentrate, a second opinion from the water alone"
    for line in scaling_steps(opinion, "us"):
        yield f"    {line}"
    for finding in findings:
        yield f"! {finding.get_kind_display()}: {finding.why}"


def _as_data(unit, states, findings, opinion: ScalingOpinion):
    return {
        "serial": unit.serial,
        "readiness": unit.state.readiness,
        "assessed_at": unit.state.assessed_at,
        "numbers": unit.state.numbers,
        "parts": [
            {
                "position": s.part.position.code,
                "kind": s.part.kind.code,
                "wear": s.wear,
                "governing": s.governing,
                "early_on": s.early_on,
                "likely_on": s.likely_on,
                "late_on": s.late_on,
                "numbers": s.numbers,
            }
            for s in states
        ],
        "scaling": _scaling_data(opinion),
        "findings": [{"kind": f.kind, "why": f.why, "numbers": f.numbers} for f in findings],
    }


def _scaling_data(opinion: ScalingOpinion) -> dict:
    """As plain data; unknown figures are null."""
    data = asdict(opinion) | {"limiting_scale": opinion.limiting_scale.name.lower()}
    return {name: None if value != value else value for name, value in data.items()}
