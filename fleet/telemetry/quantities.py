"""Which quantities a message may carry, and in which measures."""

from typing import Final

from fleet.services.reading_rows import GAUGES
from shared.measures import Measure

AS_SHOWN: Final = "as shown"
"""A total as the meter's register shows it, in the meter's own measure."""
TOTALS: Final = {
    "permeate_total": "permeate",
    "feed_total": "feed",
    "concentrate_total": "concentrate",
}
"""Register totals by the water they count."""
_VOLUMES: Final = [AS_SHOWN, Measure.GALLON, Measure.LITRE, Measure.CUBIC_METRE, Measure.CUBIC_FOOT]
_BY_ENDING: Final = {
    "_psi": [Measure.PSI, Measure.BAR, Measure.KILOPASCAL],
    "_c": [Measure.CELSIUS, Measure.FAHRENHEIT],
    "_gpm": [Measure.GAL_PER_MINUTE, Measure.LITRE_PER_MINUTE],
    "_us_cm": [Measure.MICROSIEMENS],
    "_mg_l": [Measure.MG_PER_LITRE],
}


def measures_of(quantity: str) -> list[str]:
    """Return the measures a quantity may come in. Raises KeyError for an unknown quantity."""
    if quantity in TOTALS:
        return [str(measure) for measure in _VOLUMES]
    if quantity not in GAUGES:
        raise KeyError(quantity)
    return next(
        [str(measure) for measure in measures]
        for ending, measures in _BY_ENDING.items()
        if quantity.endswith(ending)
    )


QUANTITIES: Final = [*TOTALS, *GAUGES]
"""Everything that can be mapped, in the order of the form."""


def title_of(quantity: str) -> str:
    """Return a quantity's name for people, without its measure."""
    for ending in _BY_ENDING:
        quantity = quantity.removesuffix(ending)
    return quantity.replace("_", " ").capitalize()
