"""Sentences that name what of a part's dates was learned from the fleet.

A part's wear redone step by step, as a person would with paper and the same numbers.
"""

import math
from datetime import date
from typing import Any, Final

from django.utils.dates import MONTHS
from django.utils.translation import gettext, gettext_lazy

from fleet.display.figures import digits, show
from fleet.science.settings import WearSettings
from shared.messages import joined, message
from shared.periods import add_months
from shared.translation import written

NAMES: Final = {
    "life_gal": message("life"),
    "like_sites": message("use of like sites"),
    "months": message("season"),
    "weekdays": message("weekdays"),
}


def learned_words(numbers: dict[str, Any]) -> list[str]:
    """Return one sentence for each learned thing used; ``numbers`` as assessment kept them for a part."""
    learned = numbers.get("learned") or {}
    told = []
    if learned.get("life_gal"):
        shape = learned.get("life_shape")
        spread = (
            gettext(
                ", spread as a Weibull law of shape %(shape)s: 10 %% are used up at %(shape2)s of "
                "it, 90 %% at %(shape3)s"
            )
            % {
                "shape": f"{shape:.2f}",
                "shape2": f"{_share(0.1, shape):.0%}",
                "shape3": f"{_share(0.9, shape):.0%}",
            }
            if shape
            else ""
        )
        told.append(
            gettext(
                "Life learned from the fleet's own removals: half are used up at %(life_gal)s gal%(spread)s."
            )
            % {"life_gal": f"{learned['life_gal']:,.0f}", "spread": spread}
        )
    like = learned.get("like_sites")
    if like:
        told.append(
            gettext(
                "Too few readings yet: use is borrowed from %(sites)s like sites (%(kind)s), which "
                "use %(ratio)s of their design duty."
            )
            % {"sites": like["sites"], "kind": like["kind"], "ratio": f"{like['ratio']:.0%}"}
        )
    if learned.get("months"):
        factors = learned["months"]
        most, least = factors.index(max(factors)), factors.index(min(factors))
        told.append(
            gettext(
                "Season learned from the fleet bends the dates: %(most)s uses %(most_share)s of "
                "the yearly mean, %(least)s %(least_share)s."
            )
            % {
                "most": MONTHS[most + 1],
                "most_share": f"{factors[most]:.0%}",
                "least": MONTHS[least + 1],
                "least_share": f"{factors[least]:.0%}",
            }
        )
    if learned.get("weekdays"):
        told.append(gettext("Weekdays learned from daily meters bend the dates within a week."))
    return told


def learned_names(numbers: dict[str, Any]) -> str:
    """Return what was learned in few words, e.g. for a finding's reason; empty where nothing was."""
    learned = numbers.get("learned") or {}
    return joined(", ", (name for key, name in NAMES.items() if learned.get(key)))


def _share(chance: float, shape: float) -> float:
    """Gallons by which this share of parts is used up, over the median."""
    return (math.log1p(-chance) / -math.log(2)) ** (1 / shape)


MINUTES_PER_HOUR: Final = 60
DEFAULT_TOLERANCE: Final = WearSettings().oxidant_tolerance_mg_h_l
LEAK_LIMIT: Final = WearSettings().chlorine_after_carbon_limit_mg_l
LEAST_LOSS: Final = 0.0005
"""A smaller share of the membrane lost in a week is not worth a line."""
LABELS: Final = {
    "volume": gettext_lazy("Volume"),
    "calendar": gettext_lazy("Calendar"),
    "chlorine_dose": gettext_lazy("Chlorine dose"),
    "hardness_load": gettext_lazy("Hardness load"),
    "oxidant_exposure": gettext_lazy("Oxidant exposure"),
    "pressure_drop": gettext_lazy("Pressure drop"),
    "measured_end": gettext_lazy("Measured end"),
    "performance": gettext_lazy("Measured performance"),
}


def wear_steps(numbers: dict[str, Any], governing: str, system: str) -> list[str]:
    """Return the steps from readings to due date. ``numbers`` as assessment kept them for a part."""
    if not numbers:
        return []
    limits = numbers.get("limits") or {}
    steps = [_use_step(numbers, system), _seen_step(numbers, system), *learned_words(numbers)]
    for name, limit in limits.items():
        step = _limit_step(name, limit, numbers, system)
        is_other = (
            name not in (governing, "calendar") and limit.get("due_on") and (limit.get("wear") or 0) < 1
        )
        steps.append(
            gettext("%(step)s; alone it would end on %(due_on)s.")
            % {"step": step[:-1], "due_on": _day(limit["due_on"])}
            if is_other
            else step
        )
    if governing in limits:
        steps.append(_governing_step(governing, limits[governing]))
    lost = numbers.get("membrane_life_lost_per_week")
    if lost and lost >= LEAST_LOSS:
        steps.append(
            gettext(
                "Left in for a week more, it lets through so much chlorine that %(lost)s of the "
                "membrane's tolerance is spent, beyond what fresh carbon would."
            )
            % {"lost": f"{lost:.1%}"}
        )
    window = _window_step(numbers)
    return [step for step in [*steps, window] if step]


def _use_step(numbers: dict[str, Any], system: str) -> str:
    use = numbers.get("permeate_gal_per_day")
    if use is None:
        return ""
    if numbers.get("is_design_duty"):
        source = gettext("the design duty, for there is no usable reading")
    else:
        last = numbers.get("last_read_on")
        until = gettext(" until %(last)s") % {"last": _day(last)} if last else ""
        source = gettext("%(readings_used)s meter readings%(until)s") % {
            "readings_used": numbers.get("readings_used", 0),
            "until": until,
        }
    recovery = numbers.get("recovery")
    told = gettext("Use is %(use)s of permeate, from %(source)s.") % {
        "use": show(use, "gal_per_day", system),
        "source": source,
    }
    if recovery and numbers.get("feed_gal_per_day") is not None:
        how = gettext("measured flows") if numbers.get("recovery_is_measured") else gettext("the set-point")
        feed = show(numbers["feed_gal_per_day"], "gal_per_day", system)
        told += gettext(" At %(recovery)s recovery (from %(how)s) that takes %(feed)s of feed.") % {
            "recovery": f"{recovery:.0%}",
            "how": how,
            "feed": feed,
        }
    return told


def _seen_step(numbers: dict[str, Any], system: str) -> str:
    if not numbers.get("installed_on"):
        return gettext("When the part was put in is not known, so nothing can be reckoned.")
    told = gettext("In place since %(installed_on)s") % {"installed_on": _day(numbers["installed_on"])}
    if numbers.get("seen_gal") is not None:
        told += gettext("; its position saw %(seen_gal)s since") % {
            "seen_gal": show(numbers["seen_gal"], "gal", system)
        }
    if numbers.get("feed_tested_on"):
        told += gettext(". Its feed was last tested on %(feed_tested_on)s") % {
            "feed_tested_on": _day(numbers["feed_tested_on"])
        }
    return f"{told}."


def _limit_step(name: str, limit: dict[str, Any], numbers: dict[str, Any], system: str) -> str:
    used = f"{limit.get('wear') or 0:.0%}"
    seen, rated = numbers.get("seen_gal"), numbers.get("rated_gal")
    learned_gal = (numbers.get("learned") or {}).get("life_gal")
    rated, word = learned_gal or rated, "learned" if learned_gal else "rated"
    if name == "volume" and seen is not None and rated:
        return gettext("Volume: %(seen)s ÷ %(rated)s %(word)s = %(used)s.") % {
            "seen": show(seen, "gal", system),
            "rated": show(rated, "gal", system),
            "word": word,
            "used": used,
        }
    if name == "calendar" and numbers.get("rated_months") and numbers.get("installed_on"):
        return gettext(
            "Calendar: time in place ÷ %(rated_months)s rated months = %(used)s (months alone "
            "would end on %(ends_on)s)."
        ) % {"rated_months": digits(numbers["rated_months"]), "used": used, "ends_on": _rated_end(numbers)}
    if name == "chlorine_dose" and numbers.get("mean_chlorine_mg_l") is not None:
        told = gettext("Chlorine dose: the water carried %(mean_chlorine_mg_l)s mg/L on average") % {
            "mean_chlorine_mg_l": digits(numbers["mean_chlorine_mg_l"])
        }
        if rated and numbers.get("rating_chlorine_mg_l"):
            rating = digits(numbers["rating_chlorine_mg_l"])
            told += gettext("; gallons × mg/L ÷ (%(rated)s × %(rating)s mg/L of the rating)") % {
                "rated": show(rated, "gal", system),
                "rating": rating,
            }
        return f"{told}{_end_words(numbers)} = {used}."
    if name == "hardness_load" and numbers.get("mean_hardness_mg_l") is not None:
        return f"{_hardness_words(numbers, system)} = {used}."
    if name == "oxidant_exposure":
        return f"{_exposure_words(numbers)} = {used}."
    if name == "pressure_drop":
        return gettext(
            "Pressure drop: ln(drop ÷ clean drop at the same flow) ÷ ln(terminal drop ÷ clean "
            "drop), fitted along the water seen = %(used)s."
        ) % {"used": used}
    if name == "measured_end" and (limit.get("wear") or 0) >= 1:
        return gettext("Measured: a test or a clogged part says it is used up, whatever the reckoning says.")
    if name == "performance":
        return gettext(
            "Measured performance: the largest of flow lost ÷ 10 %%, salt passage gained ÷ 10 %% and "
            "pressure drop gained ÷ 15 %% = %(used)s. What is measured governs; the other limits only say "
            "when to look."
        ) % {"used": used}
    return f"{LABELS.get(name, name)}: {used}."


def _end_words(numbers: dict[str, Any]) -> str:
    """Say that carbon ahead of a membrane ends at what leaks, and when a test behind it was taken in."""
    told, end = "", numbers.get("end_share")
    if end and end < 1:
        told = gettext(" ÷ %(end)s, for at that share of the rating %(limit)s mg/L leak through the bed") % {
            "end": f"{end:.1%}",
            "limit": digits(LEAK_LIMIT),
        }
    if numbers.get("is_tested"):
        told += gettext(", moved to what was found behind the bed when it was last tested")
    return told


def _hardness_words(numbers: dict[str, Any], system: str) -> str:
    mean = digits(numbers["mean_hardness_mg_l"])
    told = gettext("Hardness load: the water carried %(mean)s mg/L as CaCO3 on average") % {"mean": mean}
    grains, seen = numbers.get("hardness_capacity_grains"), numbers.get("seen_gal")
    if grains and seen is not None:
        return gettext("%(told)s; %(seen)s × mg/L ÷ 17.118 ÷ %(grains)s grains of capacity") % {
            "told": told,
            "seen": show(seen, "gal", system),
            "grains": f"{grains:,.0f}",
        }
    if numbers.get("rated_hardness_mg_l"):
        rated = digits(numbers["rated_hardness_mg_l"])
        told += gettext(
            "; the larger share of volume and months × %(mean)s ÷ %(rated)s mg/L of the rating, "
            "weighted with how far recovery concentrates it beyond the set-point"
        ) % {"mean": mean, "rated": rated}
    return told


def _exposure_words(numbers: dict[str, Any]) -> str:
    told = gettext("Oxidant exposure: chlorine behind the carbon × running hours ÷ the membrane's tolerance")
    mean, seen = numbers.get("mean_chlorine_mg_l"), numbers.get("seen_gal")
    flow, tolerance = numbers.get("design_permeate_gpm"), numbers.get("oxidant_tolerance_mg_h_l")
    if mean is not None and seen is not None and flow:
        hours = seen / flow / MINUTES_PER_HOUR
        tolerance = tolerance or DEFAULT_TOLERANCE
        told += gettext(": %(mean)s mg/L on average × %(hours)s h ÷ %(tolerance)s mg·h/L") % {
            "mean": f"{mean:.3g}",
            "hours": f"{hours:,.0f}",
            "tolerance": f"{tolerance:,.0f}",
        }
    leak = numbers.get("chlorine_leak_mg_l")
    now = gettext(" (now about %(leak)s mg/L)") % {"leak": digits(leak)} if leak is not None else ""
    return f"{told}{now}"


def _governing_step(name: str, limit: dict[str, Any]) -> str:
    told = gettext("%(limit)s comes first and governs") % {"limit": LABELS.get(name, name)}
    per_day = limit.get("wear_per_day")
    if (limit.get("wear") or 0) >= 1:
        return gettext("%(told)s: the limit is passed.") % {"told": told}
    if per_day and limit.get("due_on"):
        return gettext("%(told)s: growing %(per_day)s a day it reaches 100%% about %(due_on)s.") % {
            "told": told,
            "per_day": f"{per_day:.2%}",
            "due_on": _day(limit["due_on"]),
        }
    return f"{told}."


def _window_step(numbers: dict[str, Any]) -> str:
    first, last = numbers.get("not_before_on"), numbers.get("not_after_on")
    if not first or not last:
        return ""
    learned = (numbers.get("learned") or {}).get("life_shape")
    best = gettext(", at the latest at the age that costs least in the long run") if learned else ""
    return gettext(
        "Worth doing from %(first)s (earlier wastes more life than a trip costs) to %(last)s "
        "(later risks more than it saves%(best)s)."
    ) % {"first": _day(first), "last": _day(last), "best": best}


def _rated_end(numbers: dict[str, Any]) -> str:
    installed = date.fromisoformat(numbers["installed_on"])
    return _day(add_months(installed, round(numbers["rated_months"])).isoformat())


def _day(text: str) -> str:
    day = date.fromisoformat(text)
    return f"{day.day} {written(day, '%b %Y')}"
