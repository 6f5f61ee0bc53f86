"""How much of an ion acts: activity in dilute water.

Gypsum and silica: how near water is to giving them up. NaN in, NaN out.
Calcium carbonate: the published indices, and the pH that the concentrate takes.

Hardness and alkalinity are mg/L as CaCO3; NaN in, NaN out.
"""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from fleet.science.chemistry import CACO3_G_MOL
from fleet.science.columns import Floats, as_floats


def divalent_activity(strength_mol_l: Floats, kelvin: Floats) -> Floats:
    """
    Return the activity coefficient of an ion of charge 2.

    Parameters
    ----------
    strength_mol_l : array
        Ionic strength, 0 to 0.5. [mol/L]
    kelvin : array
        Water temperature. [K]

    Returns
    -------
    array
        Davies coefficient; its slope, 0.509 at 25 °C, grows by 0.17 % per °C. [-]

    Source
    ------
    Davies (1962); the slope's growth is a value from memory.
    """
    slope = 0.509 * (1 + 0.0017 * (kelvin - 298.15))
    root = np.sqrt(strength_mol_l)
    return np.asarray(10 ** (-4 * slope * (root / (1 + root) - 0.3 * strength_mol_l)))


_SULFATE_G_MOL: Final = 96.06


def gypsum_saturation(
    calcium_hardness_mg_l: ArrayLike,
    sulfate_mg_l: ArrayLike,
    ionic_strength_mol_l: ArrayLike,
    temperature_c: ArrayLike,
) -> Floats:
    """
    Return ion product over solubility product of gypsum, above 1 where it comes out.

    Parameters
    ----------
    calcium_hardness_mg_l : array
        Calcium as CaCO3, 0 or more. [mg/L]
    sulfate_mg_l : array
        Sulphate as the ion, 0 or more. [mg/L]
    ionic_strength_mol_l : array
        0 to 0.5. [mol/L]
    temperature_c : array
        Water temperature, 0 to 60. [°C]

    Returns
    -------
    array
        Saturation. [-]

    Notes
    -----
    Activities by Davies; the pair CaSO4 is taken off both ions (constant 10^2.25), other pairs are not. From
    12 % below to 22 % above PHREEQC past a tenth of saturation, measured in test_scaling_reference.

    Source
    ------
    Gypsum: log K = 68.2401 - 3221.51/T - 25.0627 log T (-4.58 at 25 °C) and its ion pair, read in the
    WATEQ4F and PHREEQC data files; Davies (1962).
    """
    kelvin = as_floats(temperature_c) + 273.15
    product = 10 ** (68.2401 - 3221.51 / kelvin - 25.0627 * np.log10(kelvin))
    activity = divalent_activity(as_floats(ionic_strength_mol_l), kelvin)
    calcium = as_floats(calcium_hardness_mg_l) / (CACO3_G_MOL * 1000)
    sulfate = as_floats(sulfate_mg_l) / (_SULFATE_G_MOL * 1000)
    pairing = 10**2.25 * activity**2
    half = (calcium + sulfate + 1 / pairing) / 2
    paired = calcium * sulfate / (half + np.sqrt(half**2 - calcium * sulfate))
    return np.asarray((calcium - paired) * (sulfate - paired) * activity**2 / product)


def silica_solubility(temperature_c: ArrayLike, ph: ArrayLike = 7.0) -> Floats:
    """
    Return how much amorphous silica water can hold.

    Parameters
    ----------
    temperature_c : array
        Water temperature, 0 to 60 (the line itself was drawn to 250). [°C]
    ph : array
        pH, up to 10: above 9 silica ionises and more dissolves. [-]

    Returns
    -------
    array
        Solubility as SiO2, 117 at 25 °C and neutral pH. [mg/L]

    Notes
    -----
    A published table gives 103, a review of experiments 115 mg/L at 25 °C: take it as ±10 %.

    Source
    ------
    Fournier: log S = -731/T + 4.52 (mg/kg, T in K); first ionisation 10^-9.83 as in PHREEQC's data file.
    """
    neutral = 10 ** (4.52 - 731 / (as_floats(temperature_c) + 273.15))
    return np.asarray(neutral * (1 + 10 ** (as_floats(ph) - 9.83)))


_HIGHEST_IONIC_STRENGTH: Final = 1.2


def saturation_ph(
    temperature_c: ArrayLike,
    tds_mg_l: ArrayLike,
    calcium_hardness_mg_l: ArrayLike,
    alkalinity_mg_l: ArrayLike,
) -> Floats:
    """
    Return Langelier's pH of saturation with calcium carbonate.

    Parameters
    ----------
    temperature_c : array
        Water temperature, 0 to 90. [°C]
    tds_mg_l : array
        Dissolved solids, above 0 to 10 000. [mg/L]
    calcium_hardness_mg_l : array
        Calcium as CaCO3, above 0. [mg/L]
    alkalinity_mg_l : array
        Alkalinity as CaCO3, above 0. [mg/L]

    Returns
    -------
    array
        ``(9.3 + A + B) - (C + D)``; infinite where calcium or alkalinity is 0. [-]

    Notes
    -----
    Against PHREEQC's calcite index over 720 tap and well waters (5 to 35 °C, 150 to 1300 mg/L, pH 6.5 to
    8.5) Langelier's index is 0.11 low on average, 0.31 at worst (cold); on their concentrates at 75 %
    recovery 0.16 high on average, 0.54 at worst (warm, alkaline). Measured in test_scaling_reference.

    Source
    ------
    corrosion-doctors.org, Langelier saturation index; A = (log TDS - 1)/10, B = -13.12 log(T + 273) + 34.55,
    C = log Ca - 0.4, D = log Alk.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        strength = (np.log10(as_floats(tds_mg_l)) - 1) / 10
        warmth = -13.12 * np.log10(as_floats(temperature_c) + 273) + 34.55
        calcium = np.log10(as_floats(calcium_hardness_mg_l)) - 0.4
        return np.asarray(9.3 + strength + warmth - calcium - np.log10(as_floats(alkalinity_mg_l)))


def langelier_index(ph: ArrayLike, ph_of_saturation: ArrayLike) -> Floats:
    """
    Return Langelier's index, above 0 where calcium carbonate comes out.

    Parameters
    ----------
    ph : array
        pH of the water, 6.5 to 9.5. [-]
    ph_of_saturation : array
        From ``saturation_ph``. [-]

    Returns
    -------
    array
        ``pH - pHs``. [-]

    Source
    ------
    Langelier (1936), as on corrosion-doctors.org.
    """
    return as_floats(ph) - as_floats(ph_of_saturation)


def ryznar_index(ph: ArrayLike, ph_of_saturation: ArrayLike) -> Floats:
    """
    Return Ryznar's index, below 6 where scale forms, above 7 where it does not.

    Parameters
    ----------
    ph : array
        pH of the water, 6.5 to 9.5. [-]
    ph_of_saturation : array
        From ``saturation_ph``. [-]

    Returns
    -------
    array
        ``2 pHs - pH``. [-]

    Source
    ------
    Ryznar (1944), as on corrosion-doctors.org; the bands are values from memory.
    """
    return 2 * as_floats(ph_of_saturation) - as_floats(ph)


def stiff_davis_index(
    ph: ArrayLike,
    temperature_c: ArrayLike,
    ionic_strength_mol_l: ArrayLike,
    calcium_hardness_mg_l: ArrayLike,
    alkalinity_mg_l: ArrayLike,
) -> Floats:
    """
    Return Stiff and Davis's index, above 0 where calcium carbonate comes out of salty water.

    Parameters
    ----------
    ph : array
        pH of the water. [-]
    temperature_c : array
        Water temperature, 0 to 50. [°C]
    ionic_strength_mol_l : array
        0.1 to 1.2; above 1.2 gives NaN. [mol/L]
    calcium_hardness_mg_l : array
        Calcium as CaCO3, above 0. [mg/L]
    alkalinity_mg_l : array
        Alkalinity as CaCO3, above 0. [mg/L]

    Returns
    -------
    array
        ``pH - (pCa + pAlk + K)``. [-]

    Source
    ------
    ASTM D4582; ``K = 2.022 exp((ln I + 7.544)² / 102.6) - 0.0002 T² + 0.00097 T + 0.262`` is the fit of the
    US Bureau of Reclamation, Water Chemistry Analysis for Water Conveyance, Storage, and Desalination
    Projects (2013), equation 13, as cited in public code.
    """
    strength = as_floats(ionic_strength_mol_l)
    strength = np.where((strength > 0) & (strength <= _HIGHEST_IONIC_STRENGTH), strength, np.nan)
    temperature = as_floats(temperature_c)
    constant = 2.022 * np.exp((np.log(strength) + 7.544) ** 2 / 102.6)
    constant = constant - 0.0002 * temperature**2 + 0.00097 * temperature + 0.262
    with np.errstate(divide="ignore"):
        calcium = -np.log10(as_floats(calcium_hardness_mg_l) / (CACO3_G_MOL * 1000))
        alkalinity = -np.log10(as_floats(alkalinity_mg_l) / (CACO3_G_MOL * 500))
    return np.asarray(as_floats(ph) - (calcium + alkalinity + constant))


def concentrate_ph(
    feed_ph: ArrayLike,
    alkalinity_mg_l: ArrayLike,
    ionic_strength_mol_l: ArrayLike,
    temperature_c: ArrayLike,
    factor: ArrayLike,
) -> Floats:
    """
    Return the pH of the concentrate.

    Parameters
    ----------
    feed_ph : array
        pH of the feed, 6 to 9. [-]
    alkalinity_mg_l : array
        Alkalinity of the feed as CaCO3. [mg/L]
    ionic_strength_mol_l : array
        Of the feed, 0 to 0.1. [mol/L]
    temperature_c : array
        Water temperature, 0 to 50. [°C]
    factor : array
        Concentrate factor, 1 or more. [-]

    Returns
    -------
    array
        pH. [-]

    Notes
    -----
    Carbon dioxide passes the membrane and arrives as it was, bicarbonate and carbonate are held back, then
    the three find their balance: a quadratic in the hydrogen ion, hydroxide left out. The shortcut
    ``pH + log10(factor)`` leaves out the balance and is up to 0.87 too high at 75 % recovery; this is 0 to
    0.31 too high there, on the safe side (PHREEQC, test_scaling_reference).

    Source
    ------
    ASTM D3739: alkalinity times the factor, carbon dioxide unchanged. Constants of carbonic acid: Plummer &
    Busenberg (1982), read in PHREEQC's data file.
    """
    hydrogen = 10.0 ** -as_floats(feed_ph)
    alkalinity = as_floats(alkalinity_mg_l) / (CACO3_G_MOL * 500)
    first, second = _carbonic_constants(as_floats(ionic_strength_mol_l), as_floats(temperature_c))
    bicarbonate = alkalinity / (1 + 2 * second / hydrogen)
    dioxide = bicarbonate * hydrogen / first
    times = as_floats(factor)
    held_back = bicarbonate * (1 + second / hydrogen) * times
    carbon, alkalinity = dioxide + held_back, alkalinity * times
    first, second = _carbonic_constants(as_floats(ionic_strength_mol_l) * times, as_floats(temperature_c))
    linear, constant = first * (alkalinity - carbon), first * second * (alkalinity - 2 * carbon)
    root = (-linear + np.sqrt(linear**2 - 4 * alkalinity * constant)) / np.where(
        alkalinity > 0, 2 * alkalinity, np.nan
    )
    return np.asarray(-np.log10(root))


def _carbonic_constants(strength_mol_l: Floats, temperature_c: Floats) -> tuple[Floats, Floats]:
    """Both constants between hydrogen activity and concentrations, Davies coefficients worked in."""
    kelvin = temperature_c + 273.15
    log_kelvin = np.log10(kelvin)
    log_first = -356.3094 - 0.06091964 * kelvin + 21834.37 / kelvin + 126.8339 * log_kelvin
    log_first = log_first - 1684915 / kelvin**2
    log_second = -107.8871 - 0.03252849 * kelvin + 5151.79 / kelvin + 38.92561 * log_kelvin
    log_second = log_second - 563713.9 / kelvin**2
    log_single = np.log10(divalent_activity(strength_mol_l, kelvin)) / 4
    return np.asarray(10 ** (log_first - log_single)), np.asarray(10 ** (log_second - 3 * log_single))
