"""Gypsum and silica: how near water is to giving them up. NaN in, NaN out."""

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from fleet.science.activity import divalent_activity
from fleet.science.arrays import as_floats
from fleet.science.chemistry import CACO3_G_MOL
from fleet.science.columns import Floats

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
