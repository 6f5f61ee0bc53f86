"""One reading of the gauges by itself: drop, recovery, rejection, and how a membrane stands to its sheet."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from fleet.science.gauges import BELIEVABLE_K
from fleet.science.normalise import temperature_factor
from fleet.science.performance_charts import PerformanceSettings

SHEET_TOLERANCE: Final = 0.15
"""How far one element's flow may lie from its sheet's: ± 15 %, as makers of small elements state it beside
their rated flows. Value from memory. [-]"""
REJECTION_LOSS: Final = 0.01
"""How far below the sheet's rejection a new membrane may stand at site before somebody looks: its sheet is of
2000 mg/L sodium chloride at test pressure, a tap's water is softer and weaker. Ours. [-]"""


@dataclass(frozen=True)
class Sheet:
    """What the maker says of one membrane; None where nobody wrote it down."""

    permeate_gpm: float | None
    """At 25 °C and the sheet's own pressure. [gpm]"""
    rejection: float | None
    """Salt rejection on the sheet, a fraction. [-]"""
    k_below_25: float
    """Constant of the temperature factor below 25 °C. [K]"""
    k_from_25: float
    """Constant of the temperature factor from 25 °C. [K]"""


@dataclass(frozen=True)
class OnSite:
    """What one set of gauges says by itself; None where a gauge for it is missing or can't be."""

    delta_p_psi: float | None = None
    recovery: float | None = None
    """Permeate over feed flow, a fraction. [-]"""
    rejection: float | None = None
    """One less permeate over feed conductivity, a fraction. [-]"""
    permeate_gpm_at_25: float | None = None
    """Permeate flow brought to 25 °C. [gpm]"""
    flow_of_sheet: float | None = None
    """Permeate at 25 °C over the sheets' rated flow. The pressure is not corrected for. [-]"""
    sheet_rejection: float | None = None
    """Salt rejection on the sheet of the membranes, a fraction. [-]"""


def sheet_of(
    rated_permeate_gal_per_day: float | None,
    rejection: float | None,
    k_below_25: float | None,
    k_from_25: float | None,
) -> Sheet:
    """
    Return a membrane's sheet; constants that fit no membrane give way to the usual one.

    Parameters
    ----------
    rated_permeate_gal_per_day : float or None
        Rated flow at the sheet's conditions. [gal/day]
    rejection : float or None
        Salt rejection on the sheet, a fraction. [-]
    k_below_25, k_from_25 : float or None
        Constants of the temperature factor below and from 25 °C. [K]
    """
    least, most = BELIEVABLE_K
    known = all(k is not None and least <= k <= most for k in (k_below_25, k_from_25))
    usual = PerformanceSettings().fallback_k
    return Sheet(
        rated_permeate_gal_per_day / 1440 if rated_permeate_gal_per_day else None,
        rejection or None,
        k_below_25 if known and k_below_25 else usual,
        k_from_25 if known and k_from_25 else usual,
    )


def on_site(read: Mapping[str, float | None], sheets: Sequence[Sheet] = ()) -> OnSite:
    """
    Return what one set of gauges says by itself.

    Parameters
    ----------
    read : mapping
        Gauges by the column names of a performance reading. [psi], [gpm], [°C], [µS/cm]
    sheets : sequence of Sheet
        Of the membranes in place, side by side: their rated flows add up, the lowest rejection counts.

    Returns
    -------
    OnSite
        Drop ``Pf - Pc`` [psi], recovery ``Qp / (Qp + Qc)``, rejection ``1 - Kp / Kf`` by conductivity, and
        permeate at 25 °C ``Qp / TCF`` [gpm] with its share of the sheets' flow.

    Source
    ------
    Definitions of ASTM D4516 practice; ``TCF`` from ``normalise.temperature_factor``.
    """
    feed, concentrate = read.get("feed_pressure_psi"), read.get("concentrate_pressure_psi")
    permeate_gpm, waste_gpm = read.get("permeate_flow_gpm"), read.get("concentrate_flow_gpm")
    feed_us, permeate_us = read.get("feed_conductivity_us_cm"), read.get("permeate_conductivity_us_cm")
    at_25 = flow_of_sheet = None
    celsius = read.get("feed_temperature_c")
    if permeate_gpm and celsius is not None and sheets and 0 <= celsius <= 50:
        at_25 = permeate_gpm / float(temperature_factor(celsius, sheets[0].k_below_25, sheets[0].k_from_25))
        rated = [sheet.permeate_gpm for sheet in sheets if sheet.permeate_gpm]
        flow_of_sheet = at_25 / sum(rated) if len(rated) == len(sheets) else None
    return OnSite(
        delta_p_psi=feed - concentrate if feed is not None and concentrate is not None else None,
        recovery=permeate_gpm / (permeate_gpm + waste_gpm)
        if permeate_gpm is not None and waste_gpm is not None and permeate_gpm + waste_gpm > 0
        else None,
        rejection=1 - permeate_us / feed_us if feed_us and permeate_us is not None else None,
        permeate_gpm_at_25=at_25,
        flow_of_sheet=flow_of_sheet,
        sheet_rejection=min((sheet.rejection for sheet in sheets if sheet.rejection), default=None),
    )
