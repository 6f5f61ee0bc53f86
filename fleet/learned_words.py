"""Sentences that name what of a part's dates was learned from the fleet."""

import math
from calendar import month_name
from typing import Any, Final

NAMES: Final = {
    "life_gal": "life",
    "like_sites": "use of like sites",
    "months": "season",
    "weekdays": "weekdays",
}


def learned_words(numbers: dict[str, Any]) -> list[str]:
    """Return one sentence for each learned thing used; ``numbers`` as assessment kept them for a part."""
    learned = numbers.get("learned") or {}
    told = []
    if learned.get("life_gal"):
        shape = learned.get("life_shape")
        spread = (
            f", spread as a Weibull law of shape {shape:.2f}: 10 % are used up at {_share(0.1, shape):.0%} "
            f"of it, 90 % at {_share(0.9, shape):.0%}"
            if shape
            else ""
        )
        told.append(
            f"Life learned from the fleet's own removals: half are used up at {learned['life_gal']:,.0f} gal"
            f"{spread}."
        )
    like = learned.get("like_sites")
    if like:
        told.append(
            f"Too few readings yet: use is borrowed from {like['sites']} like sites ({like['kind']}), which "
            f"use {like['ratio']:.0%} of their design duty."
        )
    if learned.get("months"):
        factors = learned["months"]
        most, least = factors.index(max(factors)), factors.index(min(factors))
        told.append(
            f"Season learned from the fleet bends the dates: {month_name[most + 1]} uses {factors[most]:.0%} "
            f"of the yearly mean, {month_name[least + 1]} {factors[least]:.0%}."
        )
    if learned.get("weekdays"):
        told.append("Weekdays learned from daily meters bend the dates within a week.")
    return told


def learned_names(numbers: dict[str, Any]) -> str:
    """Return what was learned in few words, e.g. for a finding's reason; empty where nothing was."""
    learned = numbers.get("learned") or {}
    names = {
        "life_gal": "life",
        "like_sites": "use of like sites",
        "months": "season",
        "weekdays": "weekdays",
    }
    return ", ".join(name for key, name in names.items() if learned.get(key))


def _share(chance: float, shape: float) -> float:
    """Gallons by which this share of parts is used up, over the median."""
    return (math.log1p(-chance) / -math.log(2)) ** (1 / shape)
