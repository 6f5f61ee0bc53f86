"""Membrane performance at standard conditions (the practice of ASTM D4516).

Convention for temperature: the factor is **below 1 in cold water**; measured flow is divided by it.
Pressures in psi gauge, flows in gpm, temperatures in °C. NaN in, NaN out.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from fleet.science.columns import Floats, as_floats, positive

REFERENCE_TEMPERATURE_C: Final = 25.0
"""Temperature of standard conditions (77 °F). [°C]"""


def temperature_factor(temperature_c: ArrayLike, k_below_25: ArrayLike, k_from_25: ArrayLike) -> Floats:
    """
    Return permeate flow at this temperature over flow at 25 °C, below 1 when cold.

    Parameters
    ----------
    temperature_c : array
        Feed temperature, 0 to 50; outside gives NaN. [°C]
    k_below_25 : array
        The membrane's constant below 25 °C, e.g. 3020. [K]
    k_from_25 : array
        The membrane's constant at 25 °C and above, e.g. 2640. [K]

    Returns
    -------
    array
        ``exp(K (1/298 - 1/(273 + T)))``. [-]

    Notes
    -----
    Published families differ by up to 25 % at 10 °C, so the constants belong to the membrane.
    3020 / 2640 reproduces the thin-film table within 0.0005 and 2700 / 2700 the household table within
    0.0015. 298 and 273, not .15: so the tables were made.

    Source
    ------
    "Membrane Performance Factors" table; household RO manual p. 13.
    """
    temperature = as_floats(temperature_c)
    temperature = np.where((temperature >= 0) & (temperature <= 50), temperature, np.nan)
    constant = np.where(temperature >= REFERENCE_TEMPERATURE_C, k_from_25, k_below_25)
    return np.asarray(np.exp(constant * (1 / 298 - 1 / (273 + temperature))))


def net_driving_pressure(
    feed_pressure_psi: ArrayLike,
    pressure_drop_psi: ArrayLike,
    permeate_pressure_psi: ArrayLike,
    feed_brine_osmotic_psi: ArrayLike,
    permeate_osmotic_psi: ArrayLike = 0.0,
) -> Floats:
    """
    Return the pressure that pushes water through the membrane.

    Parameters
    ----------
    feed_pressure_psi : array
        Feed pressure. [psi]
    pressure_drop_psi : array
        Feed less concentrate pressure. [psi]
    permeate_pressure_psi : array
        Permeate pressure. [psi]
    feed_brine_osmotic_psi : array
        Osmotic pressure of the average feed-brine. [psi]
    permeate_osmotic_psi : array
        Osmotic pressure of the permeate. [psi]

    Returns
    -------
    array
        ``Pf - dP/2 - Pp - pi_fb + pi_p``; NaN where it would not be positive. [psi]

    Source
    ------
    ASTM D4516 practice as given by a laboratory's guide to D4516-19a, section 6.1.
    """
    pressure = (
        as_floats(feed_pressure_psi)
        - as_floats(pressure_drop_psi) / 2
        - as_floats(permeate_pressure_psi)
        - as_floats(feed_brine_osmotic_psi)
        + as_floats(permeate_osmotic_psi)
    )
    return np.where(pressure > 0, pressure, np.nan)


def normalised_flow(
    permeate_flow_gpm: ArrayLike,
    driving_pressure_psi: ArrayLike,
    factor: ArrayLike,
    standard_driving_pressure_psi: ArrayLike,
    standard_factor: ArrayLike = 1.0,
) -> Floats:
    """
    Return permeate flow as it would be at standard pressure and temperature.

    Parameters
    ----------
    permeate_flow_gpm : array
        Measured permeate flow. [gpm]
    driving_pressure_psi : array
        Net driving pressure when measured. [psi]
    factor : array
        Temperature factor when measured, below 1 when cold. [-]
    standard_driving_pressure_psi : array
        Net driving pressure at standard conditions. [psi]
    standard_factor : array
        Temperature factor at standard conditions, 1 at 25 °C. [-]

    Returns
    -------
    array
        ``Qp NDPs TCFs / (NDPa TCFa)``; NaN where a divisor is not above 0. [gpm]

    Source
    ------
    ASTM D4516 practice.
    """
    pressure_ratio = as_floats(standard_driving_pressure_psi) / positive(as_floats(driving_pressure_psi))
    flow = as_floats(permeate_flow_gpm)
    return np.asarray(flow * pressure_ratio * as_floats(standard_factor) / positive(as_floats(factor)))


def salt_passage_flow_form(
    salt_passage: ArrayLike,
    permeate_flow_gpm: ArrayLike,
    salt_factor: ArrayLike,
    feed_brine_ratio: ArrayLike,
    standard_flow_gpm: ArrayLike,
    standard_feed_brine_ratio: ArrayLike,
    standard_salt_factor: ArrayLike = 1.0,
) -> Floats:
    """
    Return salt passage at standard conditions, the form of ASTM D4516 (by element permeate flow).

    Parameters
    ----------
    salt_passage : array
        Permeate over feed concentration. [-]
    permeate_flow_gpm : array
        Measured permeate flow. [gpm]
    salt_factor : array
        Salt-transport temperature factor; the temperature factor where the maker gives none. [-]
    feed_brine_ratio : array
        Average feed-brine over feed concentration. [-]
    standard_flow_gpm : array
        Permeate flow at standard conditions. [gpm]
    standard_feed_brine_ratio : array
        The same ratio at standard conditions. [-]
    standard_salt_factor : array
        1 at 25 °C. [-]

    Returns
    -------
    array
        ``SP (Qp/Qps) (STCFs/STCFa) (Cfb/Cf)s / (Cfb/Cf)a``; NaN where a divisor is not above 0. [-]

    Notes
    -----
    Follows the membrane's salt permeability alone: a fouled membrane with sound skin shows no change.

    Source
    ------
    ASTM D4516, value from memory; checked against a solution-diffusion model in test_normalise.
    """
    dilution = as_floats(permeate_flow_gpm) / positive(as_floats(standard_flow_gpm))
    warmth = as_floats(standard_salt_factor) / positive(as_floats(salt_factor))
    strength = as_floats(standard_feed_brine_ratio) / positive(as_floats(feed_brine_ratio))
    return np.asarray(as_floats(salt_passage) * dilution * warmth * strength)


def permeate_concentration_pressure_form(
    permeate_mg_l: ArrayLike,
    driving_pressure_psi: ArrayLike,
    feed_brine_mg_l: ArrayLike,
    standard_driving_pressure_psi: ArrayLike,
    standard_feed_brine_mg_l: ArrayLike,
) -> Floats:
    """
    Return permeate concentration at standard conditions, the membrane makers' form (by pressure).

    Parameters
    ----------
    permeate_mg_l : array
        Measured permeate concentration. [mg/L]
    driving_pressure_psi : array
        Net driving pressure when measured. [psi]
    feed_brine_mg_l : array
        Average feed-brine concentration when measured. [mg/L]
    standard_driving_pressure_psi : array
        Net driving pressure at standard conditions. [psi]
    standard_feed_brine_mg_l : array
        Average feed-brine concentration at standard conditions. [mg/L]

    Returns
    -------
    array
        ``Cp (NDPa/NDPs) (Cfbs/Cfba)``; NaN where a divisor is not above 0. [mg/L]

    Notes
    -----
    Follows the ratio of salt to water permeability, so lost flow shows as risen passage. Findings use
    the flow form; the two differ by the loss of flow.

    Source
    ------
    Membrane makers' manuals, value from memory; checked against a solution-diffusion model in test_normalise.
    """
    pressure = as_floats(driving_pressure_psi) / positive(as_floats(standard_driving_pressure_psi))
    strength = as_floats(standard_feed_brine_mg_l) / positive(as_floats(feed_brine_mg_l))
    return np.asarray(as_floats(permeate_mg_l) * pressure * strength)


def normalised_pressure_drop(
    pressure_drop_psi: ArrayLike,
    concentrate_flow_gpm: ArrayLike,
    permeate_flow_gpm: ArrayLike,
    standard_concentrate_flow_gpm: ArrayLike,
    standard_permeate_flow_gpm: ArrayLike,
) -> Floats:
    """
    Return the feed-to-concentrate pressure drop at standard flows, form by flow alone.

    Parameters
    ----------
    pressure_drop_psi : array
        Feed less concentrate pressure. [psi]
    concentrate_flow_gpm, permeate_flow_gpm : array
        Measured flows. [gpm]
    standard_concentrate_flow_gpm, standard_permeate_flow_gpm : array
        Flows at standard conditions. [gpm]

    Returns
    -------
    array
        ``dP ((2 Qc0 + Qp0) / (2 Qc + Qp))^1.5``; NaN where no water flows. [psi]

    Source
    ------
    A membrane maker's technical manual, chapter 5-4 "Data Normalization", p. 76-77.
    """
    standard = _twice_mean_flow(standard_concentrate_flow_gpm, standard_permeate_flow_gpm)
    actual = _twice_mean_flow(concentrate_flow_gpm, permeate_flow_gpm)
    ratio = positive(standard) / positive(actual)
    return np.asarray(as_floats(pressure_drop_psi) * ratio * np.sqrt(ratio))


def pressure_drop_temperature_factor(temperature_c: ArrayLike) -> Floats:
    """
    Return what the flow form is multiplied by to take out the thicker water of cold days.

    Parameters
    ----------
    temperature_c : array
        Feed temperature, 5 to 45. [°C]

    Returns
    -------
    array
        ``1 + 0.017 (T - 25)``; drop × this is the drop at 25 °C. [-]

    Source
    ------
    UNSW desalination wiki, page on data normalisation (the second published form).
    """
    return 1 + 0.017 * (as_floats(temperature_c) - REFERENCE_TEMPERATURE_C)


def _twice_mean_flow(concentrate_flow_gpm: ArrayLike, permeate_flow_gpm: ArrayLike) -> Floats:
    permeate = as_floats(permeate_flow_gpm)
    return 2 * as_floats(concentrate_flow_gpm) + permeate
