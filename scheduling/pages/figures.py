"""Figures as words: a name's ending tells the measure, the person chooses the system."""

import re
from dataclasses import dataclass
from datetime import date, datetime
from typing import Final

from django.utils.translation import gettext, gettext_lazy

from fleet.display.figures import QUANTITIES, show
from shared.translation import written


@dataclass(frozen=True)
class Figure:
    """One named figure as shown, e.g. "Water seen", "11,900 gal"."""

    label: str
    value: str


ENDINGS: Final = sorted(QUANTITIES, key=len, reverse=True)
"""Longest first, so that ``_gal_per_day`` is not taken for days. See shared/NAMES.md."""
_PERCENT: Final = re.compile(r"(^|_)(recovery|wear|change|share|fraction|passage)$")
_PLAIN: Final = {"_minutes": "min", "_min": "min", "_days": "days", "_months": "months", "_ntu": "NTU"}
_WORDS: Final = {
    "seen_gal": gettext_lazy("Water seen since installed"),
    "rated_gal": gettext_lazy("Rated for"),
    "rated_months": gettext_lazy("Rated for"),
    "installed_on": gettext_lazy("Installed"),
    "not_before_on": gettext_lazy("Not before"),
    "not_after_on": gettext_lazy("Not after"),
    "flush_gal": gettext_lazy("To drain"),
    "flush_minutes": gettext_lazy("Flush takes"),
    "ebct_min": gettext_lazy("Contact time in the bed"),
    "chlorine_leak_mg_l": gettext_lazy("Chlorine expected behind the carbon"),
    "is_design_duty": gettext_lazy("Rests on design duty, not on readings"),
    "last_read_on": gettext_lazy("Last read"),
    "last_test_on": gettext_lazy("Last tested"),
}


def figures(numbers: dict, *, is_metric: bool) -> list[Figure]:
    """Return every plain figure of a numbers record in reading order; nothing unknown is hidden."""
    shown = []
    for name, value in numbers.items():
        if isinstance(value, dict | list) or value is None or value == "":
            continue
        shown.append(
            Figure(_WORDS.get(name, gettext(name_words(name))), as_text(name, value, is_metric=is_metric))
        )
    return shown


def name_words(name: str) -> str:
    """Return a name without its measure as words."""
    for ending in (*(f"_{quantity}" for quantity in ENDINGS), *_PLAIN, "_on", "_at"):
        if name.endswith(ending):
            name = name.removesuffix(ending)
            break
    words = name.removeprefix("is_").replace("_", " ").strip()
    return words[:1].upper() + words[1:]


def as_text(name: str, value: object, *, is_metric: bool) -> str:
    """Return one value with its measure."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return _number(name, float(value), is_metric)
    if isinstance(value, str) and name.endswith("_on"):
        return written(date.fromisoformat(value[:10]), "%d %b %Y")
    if isinstance(value, date | datetime):
        return written(value, "%d %b %Y")
    return str(value).replace("_", " ")


def quantity_of(name: str) -> str | None:
    """Return the quantity a name ends in, or None."""
    return next((quantity for quantity in ENDINGS if name.endswith(f"_{quantity}")), None)


def _number(name: str, value: float, is_metric: bool) -> str:
    if _PERCENT.search(name):
        signed = name.endswith("change")
        return f"{value:+.0%}" if signed else f"{value:.0%}"
    if quantity := quantity_of(name):
        return str(show(value, quantity, "metric" if is_metric else "us"))
    for ending, word in _PLAIN.items():
        if name.endswith(ending):
            return f"{value:,.0f} {word}"
    return f"{value:,.4g}"
