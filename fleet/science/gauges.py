"""Which gauge values can be true at all; what cannot counts as unread."""

from dataclasses import fields, replace
from typing import Final

import numpy as np

from fleet.science.columns import PerformanceReadings

BELIEVABLE: Final[dict[str, tuple[float, float]]] = {
    "feed_pressure_psi": (0.0, 1500.0),
    "concentrate_pressure_psi": (0.0, 1500.0),
    "permeate_pressure_psi": (-15.0, 1500.0),
    "feed_temperature_c": (0.0, 60.0),
    "feed_conductivity_us_cm": (0.1, 200_000.0),
    "permeate_conductivity_us_cm": (0.01, 200_000.0),
    "permeate_flow_gpm": (1e-4, 10_000.0),
    "concentrate_flow_gpm": (0.0, 10_000.0),
    "sediment_inlet_psi": (0.0, 1500.0),
    "sediment_outlet_psi": (0.0, 1500.0),
    "chlorine_after_carbon_mg_l": (0.0, 100.0),
}
"""Lowest and highest of each gauge, up to pumps of sea-water plants. Ours, wide on purpose."""
BELIEVABLE_K: Final = (500.0, 8000.0)
"""Constants of the temperature factor beyond this fit no membrane (published: 2700 to 3480). Ours. [K]"""


def believable(readings: PerformanceReadings) -> PerformanceReadings:
    """
    Return readings with every gauge outside its range as unread.

    Parameters
    ----------
    readings : PerformanceReadings
        As entered; any number, infinity too.

    Returns
    -------
    PerformanceReadings
        The same rows; NaN where a value is outside ``BELIEVABLE``. A reading left without flow or
        temperature then is one of form UNUSABLE.
    """
    mended = {}
    for name, (least, most) in BELIEVABLE.items():
        column = getattr(readings, name)
        wrong = (column < least) | (column > most)
        if wrong.any():
            mended[name] = np.where(wrong, np.nan, column)
    return replace(readings, **mended) if mended else readings


_GAUGES: Final = {item.name for item in fields(PerformanceReadings)} - {"unit_row", "read_at_d", "saw_fines"}
assert set(BELIEVABLE) == _GAUGES
