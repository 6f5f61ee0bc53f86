"""Will the concentrate scale with carbonate, sulphate or silica, and from which recovery on.

Hardness and alkalinity are mg/L as CaCO3; silica is mg/L as SiO2; NaN in, NaN out.
"""

from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from fleet.science.carbonate import (
    concentrate_ph,
    gypsum_saturation,
    langelier_index,
    saturation_ph,
    silica_solubility,
    stiff_davis_index,
)
from fleet.science.chemistry import concentrate_factor, ionic_strength_from_tds
from fleet.science.columns import Floats, Ints

LANGELIER_LIMIT_TDS_MG_L: Final = 10_000.0
"""Langelier's index serves up to here, Stiff and Davis's above: scope of ASTM D3739-19. [mg/L]"""
HIGHEST_RECOVERY: Final = 0.95
"""Recoveries are sought up to here. [-]"""
_BISECTIONS: Final = 40


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


def concentrate(water: FeedWater, recovery: ArrayLike) -> FeedWater:
    """
    Return the concentrate of feed waters.

    Parameters
    ----------
    water : FeedWater
        Feed waters.
    recovery : array
        Permeate over feed, 0 or more and below 1. [-]

    Returns
    -------
    FeedWater
        Everything dissolved times the concentrate factor at full rejection, with the pH of
        ``concentrate_ph``.
    """
    factor = concentrate_factor(recovery)
    strength = ionic_strength_from_tds(water.tds_mg_l)
    return FeedWater(
        ph=concentrate_ph(water.ph, water.alkalinity_mg_l, strength, water.temperature_c, factor),
        temperature_c=water.temperature_c,
        tds_mg_l=water.tds_mg_l * factor,
        calcium_hardness_mg_l=water.calcium_hardness_mg_l * factor,
        alkalinity_mg_l=water.alkalinity_mg_l * factor,
        sulfate_mg_l=water.sulfate_mg_l * factor,
        silica_mg_l=water.silica_mg_l * factor,
    )


def langelier_of(water: FeedWater) -> Floats:
    """
    Return Langelier's index of waters, feed or concentrate.

    Parameters
    ----------
    water : FeedWater
        Waters.

    Returns
    -------
    array
        Index. [-]
    """
    saturated = saturation_ph(
        water.temperature_c, water.tds_mg_l, water.calcium_hardness_mg_l, water.alkalinity_mg_l
    )
    return langelier_index(water.ph, saturated)


def stiff_davis_of(water: FeedWater) -> Floats:
    """
    Return Stiff and Davis's index of waters, feed or concentrate.

    Parameters
    ----------
    water : FeedWater
        Waters.

    Returns
    -------
    array
        Index. [-]
    """
    strength = ionic_strength_from_tds(water.tds_mg_l)
    return stiff_davis_index(
        water.ph, water.temperature_c, strength, water.calcium_hardness_mg_l, water.alkalinity_mg_l
    )


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
    brine = concentrate(water, recovery)
    return np.where(brine.tds_mg_l > LANGELIER_LIMIT_TDS_MG_L, stiff_davis_of(brine), langelier_of(brine))


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
    brine = concentrate(water, recovery)
    strength = ionic_strength_from_tds(brine.tds_mg_l)
    return gypsum_saturation(brine.calcium_hardness_mg_l, brine.sulfate_mg_l, strength, brine.temperature_c)


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
    brine = concentrate(water, recovery)
    ph = np.where(np.isnan(brine.ph), 7.0, brine.ph)
    return np.asarray(brine.silica_mg_l / silica_solubility(brine.temperature_c, ph))


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
