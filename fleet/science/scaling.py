"""Will the concentrate scale with carbonate, sulphate or silica, and from which recovery on.

Hardness and alkalinity are mg/L as CaCO3; silica is mg/L as SiO2; NaN in, NaN out.
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from fleet.science.arrays import as_floats
from fleet.science.chemistry import concentrate_factor, ionic_strength_from_tds
from fleet.science.columns import Floats, Ints

LANGELIER_LIMIT_TDS_MG_L: Final = 10_000.0
"""Langelier's index serves up to here, Stiff and Davis's above: scope of ASTM D3739-19. [mg/L]"""
HIGHEST_RECOVERY: Final = 0.95
"""Recoveries are sought up to here. [-]"""
_BISECTIONS: Final = 40
_CACO3_G_MOL: Final = 100.09
_SULFATE_G_MOL: Final = 96.06
_HIGHEST_IONIC_STRENGTH: Final = 1.2


class ScaleKind(IntEnum):
    """What would come out first."""

    NONE = 0
    CALCIUM_CARBONATE = 1
    CALCIUM_SULFATE = 2
    SILICA = 3


@dataclass(frozen=True)
class FeedWater:
    """Feed waters, arrays of one length; NaN where not tested."""

    ph: Floats
    temperature_c: Floats
    tds_mg_l: Floats
    calcium_hardness_mg_l: Floats
    """As CaCO3."""
    alkalinity_mg_l: Floats
    """As CaCO3."""
    sulfate_mg_l: Floats
    silica_mg_l: Floats


@dataclass(frozen=True)
class ScalingLimits:
    """How far the concentrate may go without an inhibitor."""

    carbonate_index: float = 0.0
    """Langelier or Stiff-Davis index (membrane makers' manuals: keep below 0 without inhibitor). [-]"""
    sulfate_saturation: float = 0.8
    """Ion product over solubility product of gypsum; value from memory of makers' guides. [-]"""
    silica_saturation: float = 1.0
    """Silica over the solubility of amorphous silica, about 115 mg/L at 25 °C (Krauskopf 1956). [-]"""


@dataclass(frozen=True)
class RecoveryLimit:
    """Recovery at which the concentrate reaches each limit; 0 when the feed itself does."""

    carbonate: Floats
    sulfate: Floats
    silica: Floats
    """``HIGHEST_RECOVERY`` when not reached by then, NaN when the tests needed are missing. [-]"""
    recovery: Floats
    """The least of those known, NaN when none is. [-]"""
    governing: Ints
    """A ``ScaleKind``; NONE when nothing is reached or known."""


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
        calcium = -np.log10(as_floats(calcium_hardness_mg_l) / (_CACO3_G_MOL * 1000))
        alkalinity = -np.log10(as_floats(alkalinity_mg_l) / (_CACO3_G_MOL * 500))
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
    alkalinity = as_floats(alkalinity_mg_l) / (_CACO3_G_MOL * 500)
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
    log_single = np.log10(_divalent_activity(strength_mol_l, kelvin)) / 4
    return np.asarray(10 ** (log_first - log_single)), np.asarray(10 ** (log_second - 3 * log_single))


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
    activity = _divalent_activity(as_floats(ionic_strength_mol_l), kelvin)
    calcium = as_floats(calcium_hardness_mg_l) / (_CACO3_G_MOL * 1000)
    sulfate = as_floats(sulfate_mg_l) / (_SULFATE_G_MOL * 1000)
    pairing = 10**2.25 * activity**2
    half = (calcium + sulfate + 1 / pairing) / 2
    paired = calcium * sulfate / (half + np.sqrt(half**2 - calcium * sulfate))
    return np.asarray((calcium - paired) * (sulfate - paired) * activity**2 / product)


def _divalent_activity(strength_mol_l: Floats, kelvin: Floats) -> Floats:
    """Davies coefficient of an ion of charge 2; the slope, 0.509 at 25 °C, grows by 0.17 % per °C."""
    slope = 0.509 * (1 + 0.0017 * (kelvin - 298.15))
    root = np.sqrt(strength_mol_l)
    return np.asarray(10 ** (-4 * slope * (root / (1 + root) - 0.3 * strength_mol_l)))


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


def carbonate_index(water: FeedWater, recovery: ArrayLike) -> Floats:
    """
    Return Langelier's index of the concentrate, or Stiff and Davis's above 10 000 mg/L.

    Parameters
    ----------
    water : FeedWater
        Feed waters.
    recovery : array
        Permeate over feed, 0 or more and below 1. [-]

    Returns
    -------
    array
        Index at full salt rejection. [-]

    Notes
    -----
    The two published indices do not meet at 10 000 mg/L: Stiff and Davis's starts about 0.7 lower. PHREEQC
    (8000 to 34 000 mg/L) lies 0.53 above Stiff-Davis and 0.17 below Langelier (test_scaling_reference).
    """
    factor = concentrate_factor(recovery)
    tds, calcium = water.tds_mg_l * factor, water.calcium_hardness_mg_l * factor
    alkalinity, ph = water.alkalinity_mg_l * factor, _ph_of_concentrate(water, factor)
    fresh = langelier_index(ph, saturation_ph(water.temperature_c, tds, calcium, alkalinity))
    strength = ionic_strength_from_tds(tds)
    salty = stiff_davis_index(ph, water.temperature_c, strength, calcium, alkalinity)
    return np.where(tds > LANGELIER_LIMIT_TDS_MG_L, salty, fresh)


def sulfate_saturation(water: FeedWater, recovery: ArrayLike) -> Floats:
    """
    Return gypsum saturation of the concentrate.

    Parameters
    ----------
    water : FeedWater
        Feed waters.
    recovery : array
        Permeate over feed, 0 or more and below 1. [-]

    Returns
    -------
    array
        Saturation at full salt rejection. [-]
    """
    factor = concentrate_factor(recovery)
    strength = ionic_strength_from_tds(water.tds_mg_l * factor)
    calcium, sulfate = water.calcium_hardness_mg_l * factor, water.sulfate_mg_l * factor
    return gypsum_saturation(calcium, sulfate, strength, water.temperature_c)


def silica_saturation(water: FeedWater, recovery: ArrayLike) -> Floats:
    """
    Return silica of the concentrate over its solubility.

    Parameters
    ----------
    water : FeedWater
        Feed waters; an unknown pH or alkalinity counts as neutral, the stricter side.
    recovery : array
        Permeate over feed, 0 or more and below 1. [-]

    Returns
    -------
    array
        Saturation at full silica rejection. [-]
    """
    factor = concentrate_factor(recovery)
    ph = _ph_of_concentrate(water, factor)
    ph = np.where(np.isnan(ph), 7.0, ph)
    return np.asarray(water.silica_mg_l * factor / silica_solubility(water.temperature_c, ph))


def limiting_recovery(water: FeedWater, limits: ScalingLimits | None = None) -> RecoveryLimit:
    """
    Return the recovery at which the concentrate starts to scale, and with what.

    Parameters
    ----------
    water : FeedWater
        Feed waters, arrays of one length.
    limits : ScalingLimits, optional
        How far the concentrate may go; without inhibitor when not given.

    Returns
    -------
    RecoveryLimit
        Recovery for each kind of scale and the least of them, within 1e-9.

    Notes
    -----
    Bisection on all waters at once. Where Langelier's index has reached the limit below 10 000 mg/L, the
    lower start of Stiff and Davis's does not take it back.
    """
    limits = limits or ScalingLimits()
    carbonate = _bisect(lambda share: _carbonate_reached(water, share) - limits.carbonate_index, water.ph)
    sulfate = _bisect(lambda share: sulfate_saturation(water, share) - limits.sulfate_saturation, water.ph)
    silica = _bisect(lambda share: silica_saturation(water, share) - limits.silica_saturation, water.ph)
    stacked = np.stack([carbonate, sulfate, silica])
    ceiling = np.where(np.isnan(stacked), np.inf, stacked)
    least = ceiling.min(axis=0)
    governing = np.where(least < HIGHEST_RECOVERY, ceiling.argmin(axis=0) + 1, int(ScaleKind.NONE))
    recovery = np.where(np.isfinite(least), least, np.nan)
    return RecoveryLimit(carbonate, sulfate, silica, recovery, governing.astype(np.int64))


def _ph_of_concentrate(water: FeedWater, factor: Floats) -> Floats:
    strength = ionic_strength_from_tds(water.tds_mg_l)
    return concentrate_ph(water.ph, water.alkalinity_mg_l, strength, water.temperature_c, factor)


def _carbonate_reached(water: FeedWater, recovery: Floats) -> Floats:
    """The highest index on the way to this recovery."""
    with np.errstate(divide="ignore", invalid="ignore"):
        fresh_end = 1 - water.tds_mg_l / LANGELIER_LIMIT_TDS_MG_L
    on_the_way = carbonate_index(water, np.minimum(recovery, np.maximum(fresh_end, 0)))
    return np.fmax(on_the_way, carbonate_index(water, recovery))


def _bisect(excess: Callable[[Floats], Floats], like: Floats) -> Floats:
    low, high = np.zeros_like(like), np.full_like(like, HIGHEST_RECOVERY)
    at_start, at_end = excess(low), excess(high)
    for _ in range(_BISECTIONS):
        middle = (low + high) / 2
        is_over = excess(middle) >= 0
        low, high = np.where(is_over, low, middle), np.where(is_over, middle, high)
    found = np.where(at_start >= 0, 0.0, np.where(at_end < 0, HIGHEST_RECOVERY, high))
    return np.where(np.isnan(at_start + at_end), np.nan, found)
