"""How each figure of one treatment unit came about, in words a person can redo by hand."""

import json
from dataclasses import asdict
from datetime import datetime

from fleet.assessment.explanation import wear_steps
from fleet.assessment.scaling_opinion import ScalingOpinion, scaling_opinion, scaling_steps
from fleet.models import Finding, PartState, TreatmentUnit
from shared.errors import DomainError
from shared.messages import message


def explain_unit(serial: str, now: datetime, *, as_json: bool = False) -> str:
    """Return the figures of a treatment unit and its parts as text or JSON.

    Raises DomainError when there is no such unit or it was never assessed.
    """
    unit = TreatmentUnit.objects.select_related("state", "site").filter(serial=serial).first()
    if unit is None:
        raise DomainError(
            message("There is no treatment unit {serial!r}.", serial=serial),
            remedy=message("Check the serial in the fleet list."),
        )
    if not hasattr(unit, "state"):
        raise DomainError(
            message("{serial} was never assessed.", serial=serial),
            remedy=message("Run manage.py assess first."),
        )
    states = PartState.objects.filter(treatment_unit=unit).select_related("part__kind", "part__position")
    states = sorted(states, key=lambda s: s.part.position.order)
    findings = Finding.objects.filter(treatment_unit=unit, gone_at__isnull=True)
    state = unit.state
    opinion = scaling_opinion(unit, state.recovery or unit.design_recovery, state.assessed_at)
    if as_json:
        return json.dumps(_as_data(unit, states, findings, opinion), default=str)
    return "\n".join(_as_text(unit, states, findings, opinion))


def _as_text(unit, states, findings, opinion):
    state = unit.state
    yield f"{unit.serial} at {unit.site.name}: {state.get_readiness_display()}, as of {state.assessed_at}"
    for part_state in states:
        yield f"- {part_state.part.position.code}: {part_state.part.kind.name}"
        for line in wear_steps(part_state.numbers, part_state.governing, "us"):
            yield f"    {line}"
        if part_state.likely_on:
            early, late = part_state.early_on, part_state.late_on
            yield f"    Due early {early}, likely {part_state.likely_on}, late {late}: 10, 50, 90 % chance."
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
