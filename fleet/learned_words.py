"""Sentences that name what of a part's dates was learned from the fleet."""

import math
from typing import Any, Final

from django.utils.dates import MONTHS
from django.utils.translation import gettext

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
