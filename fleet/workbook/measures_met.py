"""Which measures a column may be written in, and how people spell them."""

from typing import Final

from shared.measures import Measure, from_inside, to_inside

VOLUME: Final = (Measure.GALLON, Measure.LITRE, Measure.CUBIC_METRE, Measure.CUBIC_FOOT)
BED_VOLUME: Final = (Measure.CUBIC_FOOT, Measure.LITRE, Measure.GALLON, Measure.CUBIC_METRE)
FLOW: Final = (Measure.GAL_PER_MINUTE, Measure.LITRE_PER_MINUTE)
DAILY_VOLUME: Final = (Measure.GAL_PER_DAY, Measure.LITRE_PER_DAY)
PRESSURE: Final = (Measure.PSI, Measure.BAR, Measure.KILOPASCAL)
TEMPERATURE: Final = (Measure.CELSIUS, Measure.FAHRENHEIT)
CONCENTRATION: Final = (Measure.MG_PER_LITRE,)
HARDNESS: Final = (Measure.MG_PER_LITRE, Measure.GRAIN_PER_GAL)
CONDUCTIVITY: Final = (Measure.MICROSIEMENS,)

SUFFIXES: Final = {
    "_gal_per_day": DAILY_VOLUME,
    "_gal": VOLUME,
    "_gpm": FLOW,
    "_psi": PRESSURE,
    "_c": TEMPERATURE,
    "_us_cm": CONDUCTIVITY,
    "_mg_l": CONCENTRATION,
    "_ft3": BED_VOLUME,
}
"""Ending of a table's column → the measures its sheet column may be in, the table's own first."""

_SPELLINGS: Final = {
    "gal": Measure.GALLON, "gallon": Measure.GALLON, "gallons": Measure.GALLON, "usgal": Measure.GALLON,
    "l": Measure.LITRE, "litre": Measure.LITRE, "litres": Measure.LITRE, "liter": Measure.LITRE,
    "liters": Measure.LITRE, "m3": Measure.CUBIC_METRE, "cbm": Measure.CUBIC_METRE,
    "ft3": Measure.CUBIC_FOOT, "cuft": Measure.CUBIC_FOOT, "cf": Measure.CUBIC_FOOT,
    "gpm": Measure.GAL_PER_MINUTE, "gal/min": Measure.GAL_PER_MINUTE, "l/min": Measure.LITRE_PER_MINUTE,
    "lpm": Measure.LITRE_PER_MINUTE, "gal/day": Measure.GAL_PER_DAY, "gal/d": Measure.GAL_PER_DAY,
    "gpd": Measure.GAL_PER_DAY, "l/day": Measure.LITRE_PER_DAY, "l/d": Measure.LITRE_PER_DAY,
    "psi": Measure.PSI, "bar": Measure.BAR, "kpa": Measure.KILOPASCAL, "°c": Measure.CELSIUS,
    "c": Measure.CELSIUS, "degc": Measure.CELSIUS, "°f": Measure.FAHRENHEIT, "f": Measure.FAHRENHEIT,
    "degf": Measure.FAHRENHEIT, "mg/l": Measure.MG_PER_LITRE, "mg/lascaco3": Measure.MG_PER_LITRE,
    "gpg": Measure.GRAIN_PER_GAL, "grain/gal": Measure.GRAIN_PER_GAL, "us/cm": Measure.MICROSIEMENS,
}  # fmt: skip
_SAME_SIGN: Final = str.maketrans({"³": "3", "^": None, " ": None, "µ": "u", "μ": "u", ".": None, "º": "°"})


def measure_named(text: str) -> Measure | None:
    """Return the measure a person means, None when the spelling is unknown."""
    return _SPELLINGS.get(text.translate(_SAME_SIGN).lower())


def convert(value: float, met: Measure, wanted: Measure) -> float:
    """Turn a value from one measure of a quantity into another. Same measure: the very same number."""
    if met is wanted:
        return value
    return from_inside(to_inside(value, met), wanted)


def listed(measures: tuple[Measure, ...]) -> str:
    """Name measures for a message."""
    return ", ".join(measure.value for measure in measures)
