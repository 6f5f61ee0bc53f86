"""The second opinion on scaling in sentences, for a page and for the command that explains."""

from math import isfinite
from typing import Final

from django.utils.translation import gettext, gettext_lazy

from fleet.queries.scaling_opinion import LABELS, ScalingOpinion
from fleet.science.scaling import HIGHEST_RECOVERY, ScaleKind, ScalingLimits
from fleet.showing import digits, show
from shared.told import written

_MEASURES: Final = {"ph": "", "temperature_c": "c"}
_SCALES: Final = {
    ScaleKind.CALCIUM_CARBONATE: gettext_lazy("calcium carbonate"),
    ScaleKind.CALCIUM_SULFATE: "gypsum",
    ScaleKind.SILICA: "silica",
}


def scaling_steps(opinion: ScalingOpinion, system: str) -> list[str]:
    """Return the opinion with its inputs, their dates and what is missing; ``system`` of measures to show."""
    limits = ScalingLimits()
    steps = [_inputs_step(opinion, system), _missing_step(opinion)]
    if isfinite(opinion.concentrate_tds_mg_l):
        ph = (
            gettext(", pH %(concentrate_ph)s") % {"concentrate_ph": f"{opinion.concentrate_ph:.1f}"}
            if isfinite(opinion.concentrate_ph)
            else ""
        )
        steps.append(
            gettext(
                "At %(recovery)s recovery the concentrate holds %(concentrate_tds_mg_l)s "
                "dissolved%(ph)s, as if nothing passed."
            )
            % {
                "recovery": f"{opinion.recovery:.0%}",
                "concentrate_tds_mg_l": show(opinion.concentrate_tds_mg_l, "mg_l", system),
                "ph": ph,
            }
        )
    name = gettext("Stiff and Davis") if opinion.is_stiff_davis else gettext("Langelier")
    steps += [
        _index_step(
            gettext("Calcium carbonate, index of %(name)s") % {"name": name},
            opinion.carbonate_index,
            limits.carbonate_index,
        ),
        _share_step(gettext("Gypsum"), opinion.sulfate_saturation, limits.sulfate_saturation),
        _share_step(gettext("Silica"), opinion.silica_saturation, limits.silica_saturation),
        _limit_step(opinion),
    ]
    return [step for step in steps if step]


def _inputs_step(opinion: ScalingOpinion, system: str) -> str:
    by_source: dict[str, list[str]] = {}
    for one in opinion.inputs:
        source = f"{one.source}, {one.sampled_on.day} {written(one.sampled_on, '%b %Y')}"
        by_source.setdefault(source, []).append(f"{LABELS[one.name]} {_value(one.name, one.value, system)}")
    told = [f"{', '.join(figures)} ({source})" for source, figures in by_source.items()]
    return (
        gettext("Feed: %(list)s.") % {"list": "; ".join(told)}
        if told
        else gettext("The feed was never tested.")
    )


def _value(name: str, value: float, system: str) -> str:
    measure = _MEASURES.get(name, "mg_l")
    return show(value, measure, system) if measure else digits(value)


def _missing_step(opinion: ScalingOpinion) -> str:
    if not opinion.missing:
        return ""
    return gettext("Not tested: %(list)s.") % {
        "list": ", ".join(str(LABELS[name]) for name in opinion.missing)
    }


def _index_step(name: str, value: float, limit: float) -> str:
    if not isfinite(value):
        return gettext("%(name)s: unknown for want of tests.") % {"name": name}
    verdict = gettext("it can come out") if value > limit else gettext("it stays dissolved")
    return gettext("%(name)s: %(value)s against a limit of %(limit)s without inhibitor: %(verdict)s.") % {
        "name": name,
        "value": f"{value:+.2f}",
        "limit": f"{limit:.1f}",
        "verdict": verdict,
    }


def _share_step(name: str, value: float, limit: float) -> str:
    if not isfinite(value):
        return gettext("%(name)s: unknown for want of tests.") % {"name": name}
    verdict = gettext("it can come out") if value > limit else gettext("it stays dissolved")
    return gettext("%(name)s: %(value)s of saturation against a limit of %(limit)s: %(verdict)s.") % {
        "name": name,
        "value": f"{value:.0%}",
        "limit": f"{limit:.0%}",
        "verdict": verdict,
    }


def _limit_step(opinion: ScalingOpinion) -> str:
    recovery = opinion.limiting_recovery
    if not isfinite(recovery):
        return ""
    if recovery >= HIGHEST_RECOVERY:
        return gettext("Of what was tested nothing comes out up to %(recovery)s recovery.") % {
            "recovery": f"{HIGHEST_RECOVERY:.0%}"
        }
    scale = _SCALES[opinion.limiting_scale]
    if recovery <= 0:
        return gettext(
            "The feed itself is past the limit for %(scale)s; softening or an inhibitor has to hold it."
        ) % {"scale": scale}
    margin = gettext("below") if opinion.recovery <= recovery else gettext("above")
    return gettext(
        "Scale would begin at %(recovery)s recovery, with %(scale)s; the unit runs %(margin)s that."
    ) % {"recovery": f"{recovery:.0%}", "scale": scale, "margin": margin}
