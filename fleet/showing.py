"""How a number inside becomes a number on a page: in the person's measures, with sensible digits."""

from dataclasses import dataclass
from typing import Final

from shared.measures import Measure, from_inside

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
