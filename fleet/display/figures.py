"""How a number inside becomes a number on a page: in the person's measures, with sensible digits.

Lengths and places on the small bars: how worn, and due when. Numbers and words, no markup.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

from django.utils.translation import gettext

from shared.measures import Measure, from_inside
from shared.periods import days_late
from shared.translation import written

_GAL_PER_DAY = (Measure.GAL_PER_DAY, Measure.LITRE_PER_DAY)
_PRESSURE = (Measure.PSI, Measure.BAR)
QUANTITIES: Final[dict[str, tuple[Measure, Measure]]] = {
    "gal": (Measure.GALLON, Measure.LITRE),
    "gal_per_day": _GAL_PER_DAY,
    "gpm": (Measure.GAL_PER_MINUTE, Measure.LITRE_PER_MINUTE),
    "psi": _PRESSURE,
    "c": (Measure.FAHRENHEIT, Measure.CELSIUS),
    "mg_l": (Measure.MG_PER_LITRE, Measure.MG_PER_LITRE),
    "us_cm": (Measure.MICROSIEMENS, Measure.MICROSIEMENS),
}
"""Ending of a name to what it is shown in, US then metric."""


@dataclass(frozen=True)
class Shown:
    """A number as text, and its measure."""

    number: str
    measure: str

    def __str__(self) -> str:
        return f"{self.number} {self.measure}"


def measure_for(quantity: str, system: str) -> Measure:
    """Return what a quantity is shown in. Raises KeyError for an unknown quantity."""
    us, metric = QUANTITIES[quantity]
    return metric if system == "metric" else us


def show(value: float, quantity: str, system: str) -> Shown:
    """Return a working value in a person's measures."""
    measure = measure_for(quantity, system)
    return Shown(digits(from_inside(value, measure)), measure.value)


def digits(value: float) -> str:
    """Write a number with about three figures that mean something."""
    size = abs(value)
    if size >= 100:
        return f"{value:,.0f}"
    if size >= 10:
        return f"{value:.1f}"
    if size >= 0.1 or value == 0:
        return f"{value:.2f}".rstrip("0").rstrip(".") or "0"
    return f"{value:.3g}"


WEAR_NEAR: Final = 0.8
"""From here on a wear bar asks for attention. Our choice: about one visit before the limit."""
WEAR_SHOWN: Final = 1.3
"""Wear beyond this fills the bar."""
ROAD: Final = 200.0
"""Length of a due window's road in drawing units."""
DAYS_BACK: Final = 30
DAYS_AHEAD: Final = 365
"""What a due window shows around today."""


@dataclass(frozen=True)
class WindowPlaces:
    """Where things stand on the road, and the same in words."""

    early: float
    width: float
    likely: float
    today_x: float
    month_ticks: list[float]
    is_late: bool
    words: str


def wear_length(wear: float | None) -> float:
    """Return the filled length; 100 is the limit."""
    return round(100 * min(max(wear or 0.0, 0.0), WEAR_SHOWN), 1)


def wear_tone(wear: float | None) -> str:
    """Return good, watch or bad."""
    if wear is None:
        return "off"
    if wear >= 1:
        return "bad"
    return "watch" if wear >= WEAR_NEAR else "good"


def wear_words(wear: float | None, governing: str = "") -> str:
    """Return the bar in words."""
    if wear is None:
        return gettext("Wear not known")
    by = gettext(" by %(governing)s") % {"governing": governing.lower()} if governing else ""
    if wear >= 3:
        return gettext("Far past limit%(by)s") % {"by": by}
    if wear >= 1:
        return gettext("%(wear)s used%(by)s, past limit") % {"wear": f"{wear:.0%}", "by": by}
    return gettext("%(wear)s used%(by)s") % {"wear": f"{wear:.0%}", "by": by}


def place_window(early: date | None, likely: date | None, late: date | None, today: date) -> WindowPlaces:
    """Return the places of a due window around today. Missing ends are drawn as open."""
    at_early = _place(early or likely, today)
    at_late = _place(late, today) if late else ROAD
    at_likely = min(_place(likely, today), ROAD - 3) if likely else ROAD - 3
    months = [_place(today + timedelta(days=30 * i), today) for i in range(1, 13)]
    return WindowPlaces(
        early=at_early,
        width=round(max(at_late - at_early, 1.0), 1),
        likely=at_likely,
        today_x=_place(today, today),
        month_ticks=months,
        is_late=days_late(likely, today) > 0,
        words=_words(early, likely, late, today),
    )


def _place(day: date | None, today: date) -> float:
    if day is None:
        return ROAD
    share = ((day - today).days + DAYS_BACK) / (DAYS_BACK + DAYS_AHEAD)
    return round(ROAD * min(max(share, 0.0), 1.0), 1)


def _words(early: date | None, likely: date | None, late: date | None, today: date) -> str:
    if likely is None:
        return gettext("Due date not known")
    told = gettext("Likely %(likely)s") % {"likely": _short(likely, today)}
    if early and late:
        return gettext("%(told)s; 1 in 10 by %(early)s, 9 in 10 by %(late)s") % {
            "told": told,
            "early": _short(early, today),
            "late": _short(late, today),
        }
    return (
        gettext("%(told)s; 1 in 10 by %(early)s") % {"told": told, "early": _short(early, today)}
        if early
        else told
    )


def two_dates_words(best_by: date | None, limit: date, today: date) -> str:
    """Return an order's two dates in words."""
    if best_by is None or best_by == limit:
        return gettext("Best by its limit, %(limit)s") % {"limit": _short(limit, today)}
    return gettext("Best by %(best_by)s, limit %(limit)s") % {
        "best_by": _short(best_by, today),
        "limit": _short(limit, today),
    }


def _short(day: date, today: date) -> str:
    text = f"{day.day} {written(day, '%b')}"
    return text if day.year == today.year else f"{text} {day.year}"
