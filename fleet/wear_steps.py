"""A part's wear redone step by step, as a person would with paper and the same numbers."""

from datetime import date
from typing import Any, Final

from fleet.learned_words import learned_words
from fleet.science.settings import WearSettings
from fleet.showing import digits, show
from shared.periods import add_months

MINUTES_PER_HOUR: Final = 60
DEFAULT_TOLERANCE: Final = WearSettings().oxidant_tolerance_mg_h_l
LEAST_LOSS: Final = 0.0005
"""A smaller share of the membrane lost in a week is not worth a line."""
LABELS: Final = {
    "volume": "Volume",
    "calendar": "Calendar",
    "chlorine_dose": "Chlorine dose",
    "hardness_load": "Hardness load",
    "oxidant_exposure": "Oxidant exposure",
    "pressure_drop": "Pressure drop",
    "measured_end": "Measured end",
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
        steps.append(f"{step[:-1]}; alone it would end on {_day(limit['due_on'])}." if is_other else step)
    if governing in limits:
        steps.append(_governing_step(governing, limits[governing]))
    lost = numbers.get("membrane_life_lost_per_week")
    if lost and lost >= LEAST_LOSS:
        steps.append(
            f"Left in for a week more, it lets through so much chlorine that {lost:.1%} of the membrane's "
            f"tolerance is spent, beyond what fresh carbon would."
        )
    window = _window_step(numbers)
    return [step for step in [*steps, window] if step]


def _use_step(numbers: dict[str, Any], system: str) -> str:
    use = numbers.get("permeate_gal_per_day")
    if use is None:
        return ""
    if numbers.get("is_design_duty"):
        source = "the design duty, for there is no usable reading"
    else:
        last = numbers.get("last_read_on")
        until = f" until {_day(last)}" if last else ""
        source = f"{numbers.get('readings_used', 0)} meter readings{until}"
    recovery = numbers.get("recovery")
    told = f"Use is {show(use, 'gal_per_day', system)} of permeate, from {source}."
    if recovery and numbers.get("feed_gal_per_day") is not None:
        how = "measured flows" if numbers.get("recovery_is_measured") else "the set-point"
        feed = show(numbers["feed_gal_per_day"], "gal_per_day", system)
        told += f" At {recovery:.0%} recovery (from {how}) that takes {feed} of feed."
    return told


def _seen_step(numbers: dict[str, Any], system: str) -> str:
    if not numbers.get("installed_on"):
        return "When the part was put in is not known, so nothing can be reckoned."
    told = f"In place since {_day(numbers['installed_on'])}"
    if numbers.get("seen_gal") is not None:
        told += f"; its position saw {show(numbers['seen_gal'], 'gal', system)} since"
    if numbers.get("feed_tested_on"):
        told += f". Its feed was last tested on {_day(numbers['feed_tested_on'])}"
    return f"{told}."


def _limit_step(name: str, limit: dict[str, Any], numbers: dict[str, Any], system: str) -> str:
    used = f"{limit.get('wear') or 0:.0%}"
    seen, rated = numbers.get("seen_gal"), numbers.get("rated_gal")
    learned_gal = (numbers.get("learned") or {}).get("life_gal")
    rated, word = learned_gal or rated, "learned" if learned_gal else "rated"
    if name == "volume" and seen is not None and rated:
        return f"Volume: {show(seen, 'gal', system)} ÷ {show(rated, 'gal', system)} {word} = {used}."
    if name == "calendar" and numbers.get("rated_months") and numbers.get("installed_on"):
        return (
            f"Calendar: time in place ÷ {digits(numbers['rated_months'])} rated months = {used}"
            f" (months alone would end on {_rated_end(numbers)})."
        )
    if name == "chlorine_dose" and numbers.get("mean_chlorine_mg_l") is not None:
        told = f"Chlorine dose: the water carried {digits(numbers['mean_chlorine_mg_l'])} mg/L on average"
        if rated and numbers.get("rating_chlorine_mg_l"):
            rating = digits(numbers["rating_chlorine_mg_l"])
            told += f"; gallons × mg/L ÷ ({show(rated, 'gal', system)} × {rating} mg/L of the rating)"
        return f"{told} = {used}."
    if name == "hardness_load" and numbers.get("mean_hardness_mg_l") is not None:
        return f"{_hardness_words(numbers, system)} = {used}."
    if name == "oxidant_exposure":
        return f"{_exposure_words(numbers)} = {used}."
    if name == "pressure_drop":
        return (
            f"Pressure drop: ln(drop ÷ clean drop at the same flow) ÷ ln(terminal drop ÷ clean drop), fitted "
            f"along the water seen = {used}."
        )
    if name == "measured_end" and (limit.get("wear") or 0) >= 1:
        return "Measured: a test or a clogged part says it is used up, whatever the reckoning says."
    return f"{LABELS.get(name, name)}: {used}."


def _hardness_words(numbers: dict[str, Any], system: str) -> str:
    mean = digits(numbers["mean_hardness_mg_l"])
    told = f"Hardness load: the water carried {mean} mg/L as CaCO3 on average"
    grains, seen = numbers.get("hardness_capacity_grains"), numbers.get("seen_gal")
    if grains and seen is not None:
        return f"{told}; {show(seen, 'gal', system)} × mg/L ÷ 17.118 ÷ {grains:,.0f} grains of capacity"
    if numbers.get("rated_hardness_mg_l"):
        rated = digits(numbers["rated_hardness_mg_l"])
        told += (
            f"; the larger share of volume and months × {mean} ÷ {rated} mg/L of the rating, weighted with "
            f"how far recovery concentrates it beyond the set-point"
        )
    return told


def _exposure_words(numbers: dict[str, Any]) -> str:
    told = "Oxidant exposure: chlorine behind the carbon × running hours ÷ the membrane's tolerance"
    mean, seen = numbers.get("mean_chlorine_mg_l"), numbers.get("seen_gal")
    flow, tolerance = numbers.get("design_permeate_gpm"), numbers.get("oxidant_tolerance_mg_h_l")
    if mean is not None and seen is not None and flow:
        hours = seen / flow / MINUTES_PER_HOUR
        tolerance = tolerance or DEFAULT_TOLERANCE
        told += f": {mean:.3g} mg/L on average × {hours:,.0f} h ÷ {tolerance:,.0f} mg·h/L"
    leak = numbers.get("chlorine_leak_mg_l")
    return f"{told}{f' (now about {digits(leak)} mg/L)' if leak is not None else ''}"


def _governing_step(name: str, limit: dict[str, Any]) -> str:
    told = f"{LABELS.get(name, name)} comes first and governs"
    per_day = limit.get("wear_per_day")
    if (limit.get("wear") or 0) >= 1:
        return f"{told}: the limit is passed."
    if per_day and limit.get("due_on"):
        return f"{told}: growing {per_day:.2%} a day it reaches 100% about {_day(limit['due_on'])}."
    return f"{told}."


def _window_step(numbers: dict[str, Any]) -> str:
    first, last = numbers.get("not_before_on"), numbers.get("not_after_on")
    if not first or not last:
        return ""
    learned = (numbers.get("learned") or {}).get("life_shape")
    best = ", at the latest at the age that costs least in the long run" if learned else ""
    return (
        f"Worth doing from {_day(first)} (earlier wastes more life than a trip costs) "
        f"to {_day(last)} (later risks more than it saves{best})."
    )


def _rated_end(numbers: dict[str, Any]) -> str:
    installed = date.fromisoformat(numbers["installed_on"])
    return _day(add_months(installed, round(numbers["rated_months"])).isoformat())


def _day(text: str) -> str:
    day = date.fromisoformat(text)
    return f"{day.day} {day:%b %Y}"
