"""Conversions at the doors. Inside, everything is US gallons, gal/day, gpm, psi, °C, mg/L, µS/cm.

Factors are exact definitions (NIST SP 811, appendix B) unless the docstring says otherwise.
"""

from enum import StrEnum
from typing import Final

LITRES_PER_GAL: Final = 3.785411784
"""US liquid gallon, exact (231 cubic inches). [L]"""
GAL_PER_FT3: Final = 1728 / 231
"""Cubic foot in US gallons, exact. [gal]"""
PSI_PER_BAR: Final = 14.503773773020923
"""From 1 psi = 6894.757293168 Pa. [psi]"""
MG_L_PER_GRAIN_PER_GAL: Final = 64.79891 / LITRES_PER_GAL
"""One grain (64.79891 mg) in one US gallon. [mg/L]"""


class Measure(StrEnum):
    """A measure a door may meet. The value is what people write in a column or a form."""

    GALLON = "gal"
    LITRE = "L"
    CUBIC_METRE = "m3"
    CUBIC_FOOT = "ft3"
    GAL_PER_MINUTE = "gpm"
    LITRE_PER_MINUTE = "L/min"
    GAL_PER_DAY = "gal/day"
    LITRE_PER_DAY = "L/day"
    PSI = "psi"
    BAR = "bar"
    KILOPASCAL = "kPa"
    CELSIUS = "°C"
    FAHRENHEIT = "°F"
    MG_PER_LITRE = "mg/L"
    GRAIN_PER_GAL = "gpg"
    MICROSIEMENS = "µS/cm"


_TO_INSIDE: Final[dict[Measure, tuple[float, Measure]]] = {
    Measure.GALLON: (1.0, Measure.GALLON),
    Measure.LITRE: (1 / LITRES_PER_GAL, Measure.GALLON),
    Measure.CUBIC_METRE: (1000 / LITRES_PER_GAL, Measure.GALLON),
    Measure.CUBIC_FOOT: (GAL_PER_FT3, Measure.GALLON),
    Measure.GAL_PER_MINUTE: (1.0, Measure.GAL_PER_MINUTE),
    Measure.LITRE_PER_MINUTE: (1 / LITRES_PER_GAL, Measure.GAL_PER_MINUTE),
    Measure.GAL_PER_DAY: (1.0, Measure.GAL_PER_DAY),
    Measure.LITRE_PER_DAY: (1 / LITRES_PER_GAL, Measure.GAL_PER_DAY),
    Measure.PSI: (1.0, Measure.PSI),
    Measure.BAR: (PSI_PER_BAR, Measure.PSI),
    Measure.KILOPASCAL: (PSI_PER_BAR / 100, Measure.PSI),
    Measure.CELSIUS: (1.0, Measure.CELSIUS),
    Measure.MG_PER_LITRE: (1.0, Measure.MG_PER_LITRE),
    Measure.GRAIN_PER_GAL: (MG_L_PER_GRAIN_PER_GAL, Measure.MG_PER_LITRE),
    Measure.MICROSIEMENS: (1.0, Measure.MICROSIEMENS),
}


def gal_per(measure: Measure) -> float:
    """Return how many US gallons one of this volume measure holds. [gal]

    Raises ValueError when the measure is not a volume.
    """
    factor, inside = _TO_INSIDE.get(measure, (0.0, None))
    if inside is not Measure.GALLON:
        raise ValueError(f"{measure.value} is not a volume; use gal, L, m3 or ft3.")
    return factor


def to_inside(value: float, measure: Measure) -> float:
    """Convert a value as met at a door to the working measure of its quantity.

    Temperatures in °F become °C; everything else is one factor.
    """
    if measure is Measure.FAHRENHEIT:
        return (value - 32) / 1.8
    factor, _ = _TO_INSIDE[measure]
    return value * factor


def from_inside(value: float, measure: Measure) -> float:
    """Convert a working value to the measure a person wants to see."""
    if measure is Measure.FAHRENHEIT:
        return value * 1.8 + 32
    factor, _ = _TO_INSIDE[measure]
    return value / factor
