"""The second opinion on scaling in sentences, for a page and for the command that explains."""

from math import isfinite
from typing import Final

from fleet.queries.scaling_opinion import LABELS, ScalingOpinion
from fleet.science.scaling import HIGHEST_RECOVERY, ScaleKind, ScalingLimits
from fleet.showing import digits, show

_MEASURES: Final = {"ph": "", "temperature_c": "c"}
_SCALES: Final = {
    ScaleKind.CALCIUM_CARBONATE: "calcium carbonate",
    ScaleKind.CALCIUM_SULFATE: "gypsum",
    ScaleKind.SILICA: "silica",
}


def scaling_steps(opinion: ScalingOpinion, system: str) -> list[str]:
    """Return the opinion with its inputs, their dates and what is missing; ``system`` of measures to show."""
    limits = ScalingLimits()
    steps = [_inputs_step(opinion, system), _missing_step(opinion)]
    if isfinite(opinion.concentrate_tds_mg_l):
        ph = f", pH {opinion.concentrate_ph:.1f}" if isfinite(opinion.concentrate_ph) else ""
        steps.append(
            f"At {opinion.recovery:.0%} recovery the concentrate holds "
            f"{show(opinion.concentrate_tds_mg_l, 'mg_l', system)} dissolved{ph}, as if nothing passed."
        )
    name = "Stiff and Davis" if opinion.is_stiff_davis else "Langelier"
    steps += [
        _index_step(f"Calcium carbonate, index of {name}", opinion.carbonate_index, limits.carbonate_index),
        _share_step("Gypsum", opinion.sulfate_saturation, limits.sulfate_saturation),
        _share_step("Silica", opinion.silica_saturation, limits.silica_saturation),
        _limit_step(opinion),
    ]
    return [step for step in steps if step]


def _inputs_step(opinion: ScalingOpinion, system: str) -> str:
    by_source: dict[str, list[str]] = {}
    for one in opinion.inputs:
        source = f"{one.source}, {one.sampled_on.day} {one.sampled_on:%b %Y}"
        by_source.setdefault(source, []).append(f"{LABELS[one.name]} {_value(one.name, one.value, system)}")
    told = [f"{', '.join(figures)} ({source})" for source, figures in by_source.items()]
    return f"Feed: {'; '.join(told)}." if told else "The feed was never tested."


def _value(name: str, value: float, system: str) -> str:
    measure = _MEASURES.get(name, "mg_l")
    return show(value, measure, system) if measure else digits(value)


def _missing_step(opinion: ScalingOpinion) -> str:
    if not opinion.missing:
        return ""
    return f"Not tested: {', '.join(LABELS[name] for name in opinion.missing)}."


def _index_step(name: str, value: float, limit: float) -> str:
    if not isfinite(value):
        return f"{name}: unknown for want of tests."
    verdict = "it can come out" if value > limit else "it stays dissolved"
    return f"{name}: {value:+.2f} against a limit of {limit:.1f} without inhibitor: {verdict}."


def _share_step(name: str, value: float, limit: float) -> str:
    if not isfinite(value):
        return f"{name}: unknown for want of tests."
    verdict = "it can come out" if value > limit else "it stays dissolved"
    return f"{name}: {value:.0%} of saturation against a limit of {limit:.0%}: {verdict}."


def _limit_step(opinion: ScalingOpinion) -> str:
    recovery = opinion.limiting_recovery
    if not isfinite(recovery):
        return ""
    if recovery >= HIGHEST_RECOVERY:
        return f"Of what was tested nothing comes out up to {HIGHEST_RECOVERY:.0%} recovery."
    scale = _SCALES[opinion.limiting_scale]
    if recovery <= 0:
        return f"The feed itself is past the limit for {scale}; softening or an inhibitor has to hold it."
    margin = "below" if opinion.recovery <= recovery else "above"
    return f"Scale would begin at {recovery:.0%} recovery, with {scale}; the unit runs {margin} that."
