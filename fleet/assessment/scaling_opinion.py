"""Would the concentrate of one treatment unit scale? A second opinion beside wear by hardness load.

The second opinion on scaling in sentences, for a page and for the command that explains.
"""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from math import isfinite
from typing import Final

import numpy as np
from django.utils.translation import gettext, gettext_lazy

from fleet.display.figures import digits, show
from fleet.models import FeedTest, PerformanceReading, TreatmentUnit
from fleet.science.chemistry import tds_from_conductivity
from fleet.science.scaling import (
    HIGHEST_RECOVERY,
    LANGELIER_LIMIT_TDS_MG_L,
    FeedWater,
    ScaleKind,
    ScalingLimits,
    carbonate_index,
    concentrate,
    limiting_recovery,
    silica_saturation,
    sulfate_saturation,
)
from fleet.science.settings import WearSettings
from shared.periods import local_day
from shared.translation import written

LABELS: Final = {
    "ph": "pH",
    "temperature_c": "temperature",
    "tds_mg_l": gettext_lazy("dissolved solids"),
    "calcium_hardness_mg_l": gettext_lazy("calcium hardness"),
    "alkalinity_mg_l": "alkalinity",
    "sulfate_mg_l": "sulphate",
    "silica_mg_l": "silica",
}
_STAND_INS: Final = ("hardness_mg_l", "conductivity_us_cm")
_TESTS_READ: Final = 40


@dataclass(frozen=True)
class ScalingInput:
    """One figure of the feed, and where it is from."""

    name: str
    """As in ``FeedWater``."""
    value: float
    sampled_on: date
    source: str


@dataclass(frozen=True)
class ScalingOpinion:
    """Indices of the concentrate at full rejection, NaN where an input is missing."""

    inputs: tuple[ScalingInput, ...]
    missing: tuple[str, ...]
    """Names as in ``FeedWater``."""
    recovery: float
    concentrate_tds_mg_l: float
    concentrate_ph: float
    carbonate_index: float
    is_stiff_davis: bool
    """Above 10 000 mg/L."""
    sulfate_saturation: float
    silica_saturation: float
    limiting_recovery: float
    limiting_scale: ScaleKind


def scaling_opinion(unit: TreatmentUnit, recovery: float, as_of: datetime) -> ScalingOpinion:
    """
    Judge the concentrate of a treatment unit from the feed tests known at a moment. Two queries.

    Parameters
    ----------
    unit : TreatmentUnit
        With its site.
    recovery : float
        Permeate over feed, 0 or more and below 1. [-]
    as_of : datetime
        Later tests are left out.

    Returns
    -------
    ScalingOpinion
        Each figure is the newest tested one, the site's own before its supply's for 400 days. Total hardness
        stands for calcium, conductivity for dissolved solids and the feed gauge for temperature where those
        were not tested, and the input says so. Nothing else is made up.
    """
    inputs = _inputs(unit, as_of)
    known = {one.name: one.value for one in inputs}
    missing = tuple(name for name in LABELS if name not in known)
    water = FeedWater(**{name: np.array([known.get(name, np.nan)]) for name in LABELS})
    share = np.array([recovery])
    brine, limit = concentrate(water, share), limiting_recovery(water)
    return ScalingOpinion(
        inputs=inputs,
        missing=missing,
        recovery=recovery,
        concentrate_tds_mg_l=float(brine.tds_mg_l[0]),
        concentrate_ph=float(brine.ph[0]),
        carbonate_index=float(carbonate_index(water, share)[0]),
        is_stiff_davis=bool(brine.tds_mg_l[0] > LANGELIER_LIMIT_TDS_MG_L),
        sulfate_saturation=float(sulfate_saturation(water, share)[0]),
        silica_saturation=float(silica_saturation(water, share)[0]),
        limiting_recovery=float(limit.recovery[0]),
        limiting_scale=ScaleKind(int(limit.governing[0])),
    )


def _inputs(unit: TreatmentUnit, as_of: datetime) -> tuple[ScalingInput, ...]:
    site, zone = unit.site, unit.site.time_zone
    tests = FeedTest.objects.filter(sampled_at__lte=as_of)
    own = list(tests.filter(site=site).order_by("-sampled_at", "-id")[:_TESTS_READ])
    of_supply = (
        list(tests.filter(supply=site.supply).order_by("-sampled_at", "-id")[:_TESTS_READ])
        if site.supply_id
        else []
    )
    fresh_from = as_of - timedelta(days=WearSettings().site_test_lasts_days)
    fresh = [test for test in own if test.sampled_at >= fresh_from]
    ranked = [*fresh, *of_supply, *own]
    found = {}
    for name in (*LABELS, *_STAND_INS):
        test = next((one for one in ranked if getattr(one, name) is not None), None)
        if test is not None:
            source = gettext("this site") if test.site_id else gettext("its supply")
            found[name] = ScalingInput(name, getattr(test, name), local_day(test.sampled_at, zone), source)
    _stand_in(
        found, "calcium_hardness_mg_l", "hardness_mg_l", gettext("total hardness, the stricter side"), float
    )
    _stand_in(found, "tds_mg_l", "conductivity_us_cm", gettext("from conductivity"), _tds)
    if "temperature_c" not in found:
        gauge = (
            PerformanceReading.objects.filter(treatment_unit=unit, is_latest=True, read_at__lte=as_of)
            .filter(feed_temperature_c__isnull=False)
            .order_by("-read_at")
            .first()
        )
        if gauge is not None:
            found["temperature_c"] = ScalingInput(
                "temperature_c",
                gauge.feed_temperature_c,
                local_day(gauge.read_at, zone),
                gettext("the feed gauge"),
            )
    return tuple(found[name] for name in LABELS if name in found)


def _stand_in(found, name, other, word, convert) -> None:
    """Let another test speak where the wanted one is missing, and say so."""
    if name not in found and other in found:
        one = found[other]
        found[name] = ScalingInput(name, convert(one.value), one.sampled_on, f"{one.source}, {word}")


def _tds(conductivity_us_cm: float) -> float:
    return float(tds_from_conductivity(conductivity_us_cm))


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
