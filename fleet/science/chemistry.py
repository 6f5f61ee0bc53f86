"""Water chemistry every other file needs: hardness, conductivity, concentration, osmotic pressure.

All functions take numbers or arrays, broadcast, and give NaN where an input is NaN.
"""

from enum import IntEnum
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from fleet.science.columns import Floats, as_floats
from shared.measures import MG_L_PER_GRAIN_PER_GAL, PSI_PER_BAR

CACO3_G_MOL: Final = 100.09
"""[g/mol]"""
CACO3_PER_CALCIUM: Final = 2.497
"""mg/L as CaCO3 for 1 mg/L of calcium: 100.09 / 40.08."""
CACO3_PER_MAGNESIUM: Final = 4.118
"""mg/L as CaCO3 for 1 mg/L of magnesium: 100.09 / 24.305."""
CACO3_PER_BICARBONATE: Final = 0.8202
"""mg/L as CaCO3 for 1 mg/L of bicarbonate: 50.04 / 61.02."""

HIGH_TDS_MG_L: Final = 20_000.0
"""Above this the brackish osmotic-pressure line gives way to the sea-water line. [mg/L]"""


class MeterMode(IntEnum):
    """Which salt a conductivity meter pretends the water to hold when it shows TDS."""

    NATURAL = 0
    """A fixed 0.64: mid of 0.55 to 0.8 seen in natural waters (meter manuals)."""
    KCL = 1
    NACL = 2
    FOUR_FOUR_TWO = 3
    """40 % sodium sulphate, 40 % bicarbonate, 20 % chloride."""


NATURAL_FACTOR: Final = 0.64
"""TDS over conductivity of ordinary natural water. [mg/L per µS/cm]"""

_TABLE_US_CM: Final = np.array([84.0, 447.0, 1413.0, 12_880.0])
_TABLE_FACTORS: Final = {
    MeterMode.KCL: np.array([0.4807, 0.505, 0.527, 0.578]),
    MeterMode.NACL: np.array([0.4529, 0.482, 0.497, 0.561]),
    MeterMode.FOUR_FOUR_TWO: np.array([0.6012, 0.671, 0.708, 0.883]),
}


def hardness_from_gpg(hardness_gpg: ArrayLike) -> Floats:
    """
    Convert grains per US gallon to mg/L, both as CaCO3.

    Parameters
    ----------
    hardness_gpg : array
        Hardness, 0 or more. [grain/gal]

    Returns
    -------
    array
        Hardness as CaCO3, 17.118 for each grain. [mg/L]

    Source
    ------
    Exact grain and gallon, NIST SP 811 appendix B.
    """
    return as_floats(hardness_gpg) * MG_L_PER_GRAIN_PER_GAL


def gpg_from_hardness(hardness_mg_l: ArrayLike) -> Floats:
    """
    Convert mg/L to grains per US gallon, both as CaCO3.

    Parameters
    ----------
    hardness_mg_l : array
        Hardness as CaCO3, 0 or more. [mg/L]

    Returns
    -------
    array
        Hardness as CaCO3. [grain/gal]
    """
    return as_floats(hardness_mg_l) / MG_L_PER_GRAIN_PER_GAL


def hardness_from_ions(calcium_mg_l: ArrayLike, magnesium_mg_l: ArrayLike) -> Floats:
    """
    Return total hardness of a water from its calcium and magnesium.

    Parameters
    ----------
    calcium_mg_l : array
        Calcium as the ion, 0 or more. [mg/L]
    magnesium_mg_l : array
        Magnesium as the ion, 0 or more. [mg/L]

    Returns
    -------
    array
        Hardness as CaCO3. [mg/L]

    Source
    ------
    Ratio of equivalent weights; factors 2.497 and 4.118 as in water handbooks.
    """
    calcium = as_floats(calcium_mg_l)
    return calcium * CACO3_PER_CALCIUM + as_floats(magnesium_mg_l) * CACO3_PER_MAGNESIUM


def calcium_from_hardness(calcium_hardness_mg_l: ArrayLike) -> Floats:
    """
    Return calcium as the ion from calcium hardness.

    Parameters
    ----------
    calcium_hardness_mg_l : array
        Calcium hardness as CaCO3, 0 or more. [mg/L]

    Returns
    -------
    array
        Calcium as the ion. [mg/L]
    """
    return as_floats(calcium_hardness_mg_l) / CACO3_PER_CALCIUM


def magnesium_from_hardness(magnesium_hardness_mg_l: ArrayLike) -> Floats:
    """
    Return magnesium as the ion from magnesium hardness (total less calcium hardness).

    Parameters
    ----------
    magnesium_hardness_mg_l : array
        Magnesium hardness as CaCO3, 0 or more. [mg/L]

    Returns
    -------
    array
        Magnesium as the ion. [mg/L]
    """
    return as_floats(magnesium_hardness_mg_l) / CACO3_PER_MAGNESIUM


def tds_from_conductivity(conductivity_us_cm: ArrayLike, mode: MeterMode = MeterMode.NATURAL) -> Floats:
    """
    Return dissolved solids for a conductivity at 25 °C.

    Parameters
    ----------
    conductivity_us_cm : array
        Conductivity compensated to 25 °C, 0 or more; the table spans 84 to 12 880. [µS/cm]
    mode : MeterMode
        Salt the meter assumes; store it with the reading.

    Returns
    -------
    array
        Dissolved solids. [mg/L]

    Notes
    -----
    The factor rises with strength and is interpolated on the logarithm of conductivity; outside the
    table the end factor holds.

    Source
    ------
    Calibration table of conductivity meter manuals (84, 447, 1413, 12 880 µS/cm).
    """
    conductivity = as_floats(conductivity_us_cm)
    if mode is MeterMode.NATURAL:
        return conductivity * NATURAL_FACTOR
    with np.errstate(divide="ignore", invalid="ignore"):
        strength = np.log(conductivity)
    factor = np.interp(strength, np.log(_TABLE_US_CM), _TABLE_FACTORS[mode])
    return np.asarray(conductivity * factor)


def conductivity_from_tds(tds_mg_l: ArrayLike, mode: MeterMode = MeterMode.NATURAL) -> Floats:
    """
    Return the conductivity at 25 °C a meter of that mode would read.

    Parameters
    ----------
    tds_mg_l : array
        Dissolved solids, 0 or more. [mg/L]
    mode : MeterMode
        Salt the meter assumes.

    Returns
    -------
    array
        Conductivity; the inverse of ``tds_from_conductivity`` within 0.5 %. [µS/cm]
    """
    tds = as_floats(tds_mg_l)
    if mode is MeterMode.NATURAL:
        return tds / NATURAL_FACTOR
    with np.errstate(divide="ignore", invalid="ignore"):
        strength = np.log(tds)
    factor = np.interp(strength, np.log(_TABLE_US_CM * _TABLE_FACTORS[mode]), _TABLE_FACTORS[mode])
    return np.asarray(tds / factor)


def ionic_strength(molality: ArrayLike, charge: ArrayLike) -> Floats:
    """
    Return ionic strength from the ions themselves.

    Parameters
    ----------
    molality : array, last axis = ions
        Molality of each ion, 0 or more. [mol/kg]
    charge : array, last axis = ions
        Charge of each ion, signed or not. [-]

    Returns
    -------
    array
        Half the sum of molality × charge². [mol/kg]
    """
    amounts = as_floats(molality)
    return np.asarray(0.5 * np.sum(amounts * as_floats(charge) ** 2, axis=-1))


def ionic_strength_from_tds(tds_mg_l: ArrayLike) -> Floats:
    """
    Return ionic strength when only dissolved solids are known.

    Parameters
    ----------
    tds_mg_l : array
        Dissolved solids, 0 to about 1000; above, use the ions. [mg/L]

    Returns
    -------
    array
        2.5e-5 × TDS. [mol/L]

    Source
    ------
    Langelier's approximation, value from memory. Against PHREEQC over 720 tap and well waters 16 % high on
    average, from -9 to +36 % (test_chemistry_reference).
    """
    return as_floats(tds_mg_l) * 2.5e-5


def osmotic_pressure_from_tds(tds_mg_l: ArrayLike, temperature_c: ArrayLike) -> Floats:
    """
    Return osmotic pressure by the two-line form in dissolved solids.

    Parameters
    ----------
    tds_mg_l : array
        Dissolved solids as sodium chloride, 0 to 70 000. [mg/L]
    temperature_c : array
        Water temperature, 0 to 45. [°C]

    Returns
    -------
    array
        Osmotic pressure. [psi]

    Notes
    -----
    ``C (T + 320) / 491000`` bar below 20 000 mg/L, ``(0.0117 C - 34) / 14.23 × (T + 320) / 345`` bar
    from there. Both lines meet at 20 000 mg/L within 0.1 %. For pure sodium chloride 9 to 16 % low below
    20 000 mg/L and 1 to 6 % low above (Pitzer's equations, test_chemistry_reference); on tap water that is
    under 1 % of the driving pressure.

    Source
    ------
    Membrane makers' design equations, value from memory.
    """
    tds = as_floats(tds_mg_l)
    warmth = as_floats(temperature_c) + 320
    brackish_bar = tds * warmth / 491_000
    sea_bar = (0.0117 * tds - 34) / 14.23 * warmth / 345
    return np.asarray(np.where(tds < HIGH_TDS_MG_L, brackish_bar, sea_bar) * PSI_PER_BAR)


def osmotic_pressure_from_molality(total_molality: ArrayLike, temperature_c: ArrayLike) -> Floats:
    """
    Return osmotic pressure by the molal-sum form, when the ions are known.

    Parameters
    ----------
    total_molality : array
        Sum over all ions and neutral solutes, 0 to about 1.2. [mol/kg]
    temperature_c : array
        Water temperature, 0 to 45. [°C]

    Returns
    -------
    array
        ``1.12 (273 + T) Σm``. [psi]

    Notes
    -----
    1.12 psi is 0.0772 bar: van 't Hoff's 0.0831 with an osmotic coefficient of 0.93 built in. Within 4.1 % of
    Pitzer's equations for sodium chloride, within 2 % from 5000 mg/L (test_chemistry_reference).

    Source
    ------
    A membrane maker's design equations; the measure (psi) is a value from memory and agrees with
    van 't Hoff.
    """
    kelvin = 273 + as_floats(temperature_c)
    return np.asarray(1.12 * kelvin * as_floats(total_molality))


def concentrate_factor(recovery: ArrayLike, salt_passage: ArrayLike = 0.0) -> Floats:
    """
    Return concentration of the concentrate over that of the feed.

    Parameters
    ----------
    recovery : array
        Permeate over feed, 0 or more and below 1; outside gives NaN. [-]
    salt_passage : array
        Permeate over feed concentration, 0 for full rejection. [-]

    Returns
    -------
    array
        ``(1 - Y SP) / (1 - Y)``. [-]

    Source
    ------
    ASTM D3739-94(98) section 7.1.
    """
    fraction = _recovery_or_nan(recovery)
    return np.asarray((1 - fraction * as_floats(salt_passage)) / (1 - fraction))


def log_mean_factor(recovery: ArrayLike) -> Floats:
    """
    Return average feed-brine concentration over feed concentration, log-mean form.

    Parameters
    ----------
    recovery : array
        Permeate over feed, 0 or more and below 1; outside gives NaN. [-]

    Returns
    -------
    array
        ``ln(1 / (1 - Y)) / Y``, and its limit 1 at no recovery. [-]

    Notes
    -----
    ASTM D4516 also allows the arithmetic mean, which is larger: 2.5 instead of 1.848 at 75 %. We use
    the log-mean everywhere.

    Source
    ------
    ASTM D4516 practice, as given by the UNSW desalination wiki.
    """
    fraction = _recovery_or_nan(recovery)
    small = fraction < 1e-6
    safe = np.where(small, 0.5, fraction)
    return np.asarray(np.where(small, 1 + fraction / 2, -np.log1p(-safe) / safe))


def _recovery_or_nan(recovery: ArrayLike) -> Floats:
    fraction = as_floats(recovery)
    return np.where((fraction >= 0) & (fraction < 1), fraction, np.nan)
