"""Register totals as people type or paste them: 48,210 · 48.2K · 182 486 L."""

import re
from typing import Final

from scheduling.visits.fields import read_number
from shared.measures import Measure

_VOLUMES: Final = {
    "gal": Measure.GALLON, "gals": Measure.GALLON, "gallon": Measure.GALLON, "gallons": Measure.GALLON,
    "l": Measure.LITRE, "litre": Measure.LITRE, "litres": Measure.LITRE, "liter": Measure.LITRE,
    "liters": Measure.LITRE, "litros": Measure.LITRE, "m3": Measure.CUBIC_METRE, "m³": Measure.CUBIC_METRE,
    "ft3": Measure.CUBIC_FOOT, "ft³": Measure.CUBIC_FOOT, "cuft": Measure.CUBIC_FOOT,
}  # fmt: skip
"""How volumes are written. A bare number is in the meter's own measure."""
_TOTAL: Final = re.compile(
    r"(?P<number>[^a-z]*?)(?P<thousands>k)?(?P<measure>[a-z]{1,7}[3³]?)?", re.IGNORECASE
)


def read_total(text: str) -> tuple[float, Measure | None] | None:
    """Return a total and the measure written behind it; None for what is no total."""
    found = _TOTAL.fullmatch(re.sub(r"\s", "", text))
    if found is None:
        return None
    number = read_number(found["number"])
    measure = _VOLUMES.get((found["measure"] or "").lower())
    if number is None or (found["measure"] and measure is None):
        return None
    return number * (1000 if found["thousands"] else 1), measure
