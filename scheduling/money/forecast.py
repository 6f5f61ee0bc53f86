"""How many parts fall due in each coming month: chances from due windows, mean and quantiles of counts.
How good forecasts of counts were: error, bias, and whether the high number was high enough.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.signal import fftconvolve
from scipy.special import ndtri

from fleet.science.columns import Floats, Ints
from fleet.science.economics import chance_past
from scheduling.money.practice import TAIL_Z

_LEAST_LIFE_SPREAD: Final = 0.08
_MOST_SPREAD: Final = 0.35
"""Bounds of the standard deviation of a whole life over the life. Ours. [-]"""
_SHORTEST_LIFE: Final = 7.0
"""No part is expected to live shorter than this, so that successors come to an end. Ours. [day]"""
_NEGLIGIBLE: Final = 1e-6
_SURELY: Final = 1e-6
_EXACT_EVENTS: Final = 1500
"""Counts of more events are approximated. [-]"""
_BLOCK: Final = 64
"""So many events are worked out one after the other; blocks are then multiplied together. [-]"""


@dataclass(frozen=True)
class Changes:
    """Chances that parts, or the parts that will follow them in their place, fall due in each month."""

    part_row: Ints
    """Place of each row in the parts asked about; a place may have several rows, one per successor."""
    chance: Floats
    """(rows, months) chance that this very change falls due in the month. [-]"""


def changes_due(
    early_d: ArrayLike,
    likely_d: ArrayLike,
    late_d: ArrayLike,
    life_days: ArrayLike,
    month_edges_d: ArrayLike,
    life_spread: ArrayLike = 0.0,
) -> Changes:
    """
    Return the chance of each coming change falling due in each month.

    Parameters
    ----------
    early_d, likely_d, late_d : array (parts,)
        10 %, 50 % and 90 % dates of each part in place. [day since 1970-01-01]
    life_days : array (parts,)
        Whole expected life of the part in place, above 0. [day]
    month_edges_d : array (months + 1,)
        First days of the months, and the day after the last. [day since 1970-01-01]
    life_spread : array (parts,) or float
        Standard deviation of a successor's life over that life, where it is wider than what the window of
        the part in place says. [-]

    Returns
    -------
    Changes
        Rows of parts without dates are left out.

    Notes
    -----
    The parts are in place when the first month begins, so their chances are those of parts that have come so
    far; what is surely overdue falls into the first month. A successor is expected to live as long as its
    predecessor. Its spread is as wide for its life as the present window is
    for the life that is left, a quarter of the life at least, held between 8 and 35 % of the life; variances
    add up from change to change. A successor of an overdue part starts when the work can be done, not in the
    past.
    """
    early, likely, late, life = (
        np.asarray(given, dtype=np.float64) for given in (early_d, likely_d, late_d, life_days)
    )
    edges = np.asarray(month_edges_d, dtype=np.float64)
    rows = np.flatnonzero(np.isfinite(early + likely + late + life) & (life > 0))
    early, likely, late, life = early[rows], likely[rows], late[rows], np.maximum(life[rows], _SHORTEST_LIFE)
    low, high = (likely - early) / TAIL_Z, (late - likely) / TAIL_Z
    left = np.maximum(likely - edges[0], life / 4)
    wider = np.broadcast_to(np.asarray(life_spread, dtype=np.float64), np.shape(early_d))[rows]
    own_spread = np.clip(np.fmax((low + high) / 2 / left, wider), _LEAST_LIFE_SPREAD, _MOST_SPREAD) * life
    part_rows: list[Ints] = []
    chances: list[Floats] = []
    while len(rows):
        by_edge = chance_past(edges[:, None], likely - TAIL_Z * low, likely, likely + TAIL_Z * high)
        if part_rows:
            chance = np.diff(by_edge, axis=0).T
            chance[:, 0] += by_edge[0]
        else:
            chance = _given_in_place(by_edge)
        kept = chance.sum(axis=1) > _NEGLIGIBLE
        part_rows.append(rows[kept])
        chances.append(chance[kept])
        rows, likely, low, high = rows[kept], likely[kept], low[kept], high[kept]
        life, own_spread = life[kept], own_spread[kept]
        likely = np.maximum(likely, edges[0]) + life
        low, high = np.hypot(low, own_spread), np.hypot(high, own_spread)
    if not part_rows:
        return Changes(np.zeros(0, dtype=np.int64), np.zeros((0, len(edges) - 1)))
    return Changes(np.concatenate(part_rows).astype(np.int64), np.vstack(chances))


def _given_in_place(by_edge: Floats) -> Floats:
    """Return chances by month of parts that are in place at the first edge. In: (edges, parts)."""
    open_chance = 1.0 - by_edge[0]
    is_overdue = open_chance < _SURELY
    chance = np.diff(by_edge, axis=0) / np.where(is_overdue, 1.0, open_chance)
    chance[:, is_overdue] = 0.0
    chance[0, is_overdue] = 1.0
    return np.asarray(chance.T)


def count_distribution(chances: ArrayLike) -> Floats:
    """
    Return the distribution of how many of some independent events happen (Poisson binomial).

    Parameters
    ----------
    chances : array (events,)
        Chance of each, 0 to 1. [-]

    Returns
    -------
    array (events + 1,)
        Chance of exactly 0, 1, 2 … events. [-]

    Raises
    ------
    ValueError
        For a chance outside 0 to 1.

    Source
    ------
    Product of the generating functions 1 - p + p·x; scipy.stats.poisson_binom gives the same for few
    events (checked in test_forecast).
    """
    all_chances = np.asarray(chances, dtype=np.float64)
    if ((all_chances < 0) | (all_chances > 1)).any() or np.isnan(all_chances).any():
        raise ValueError("A chance must be 0 to 1.")
    pieces = _blocks(all_chances)
    while len(pieces) > 1:
        pairs = [pieces[i : i + 2] for i in range(0, len(pieces), 2)]
        pieces = [_product(pair) for pair in pairs]
    whole = np.clip(pieces[0][: len(all_chances) + 1], 0.0, None)
    return np.asarray(whole / whole.sum())


def count_quantile(chances: ArrayLike, share: float) -> int:
    """
    Return the smallest count that is enough with a given chance.

    Parameters
    ----------
    chances : array (events,)
        Chance of each, 0 to 1. [-]
    share : float
        Above 0 and below 1, e.g. 0.9. [-]

    Returns
    -------
    int
        Count. [-]

    Raises
    ------
    ValueError
        When the share or a chance is out of range.

    Notes
    -----
    Exact up to 1500 events; beyond, a normal distribution corrected for skewness, which test_forecast finds
    within one count of the exact number.

    Source
    ------
    Expansion of Cornish and Fisher (1938), first correction (value from memory, checked against the exact).
    """
    if not 0 < share < 1:
        raise ValueError(f"share must lie between 0 and 1; it is {share}.")
    possible = np.asarray(chances, dtype=np.float64)
    possible = possible[possible > 0]
    if len(possible) > _EXACT_EVENTS:
        return _quantile_of_many(possible, share)
    cumulated = np.cumsum(count_distribution(possible))
    return int(np.searchsorted(cumulated, share - 1e-12))


def _quantile_of_many(chances: Floats, share: float) -> int:
    """Return the quantile by the first terms of Cornish and Fisher, with half a count for whole numbers."""
    variance = float((chances * (1 - chances)).sum())
    if variance == 0:
        return round(float(chances.sum()))
    third = float((chances * (1 - chances) * (1 - 2 * chances)).sum())
    z = float(ndtri(share))
    moved = z + (z * z - 1) * third / variance**1.5 / 6
    return int(np.clip(np.ceil(float(chances.sum()) + moved * np.sqrt(variance) - 0.5), 0, len(chances)))


def at_least_one(chance: Floats, group_row: Ints, groups: int) -> Floats:
    """
    Return the chance that a group sees at least one of its events, month by month.

    Parameters
    ----------
    chance : array (rows, months)
        Chances of single events. [-]
    group_row : array (rows,)
        Group of each event, e.g. its site.
    groups : int
        How many groups.

    Returns
    -------
    array (groups, months)
        ``1 - Π(1 - p)``. [-]
    """
    log_none = np.zeros((groups, chance.shape[1]))
    np.add.at(log_none, group_row, np.log1p(-np.minimum(chance, 1 - 1e-12)))
    return np.asarray(-np.expm1(log_none))


def _blocks(chances: Floats) -> list[Floats]:
    """Return the distributions of blocks of ``_BLOCK`` events, worked out side by side."""
    count = max(1, -(-len(chances) // _BLOCK))
    padded = np.zeros(count * _BLOCK)
    padded[: len(chances)] = chances
    table = padded.reshape(count, _BLOCK)
    found = np.zeros((count, _BLOCK + 1))
    found[:, 0] = 1.0
    for event in range(_BLOCK):
        chance = table[:, event, None]
        more = found[:, :-1] * chance
        found *= 1 - chance
        found[:, 1:] += more
    return list(found)


def _product(some: list[Floats]) -> Floats:
    if len(some) == 1:
        return some[0]
    return np.asarray(fftconvolve(some[0], some[1]))


@dataclass(frozen=True)
class Score:
    """One forecaster's score over some months and kinds."""

    compared: int
    """How many counts were compared."""
    actual: float
    """What really happened, summed. [count]"""
    forecast: float
    """What was said, summed. [count]"""
    mean_absolute_error: float
    """Mean of ``|said - happened|``; NaN without a comparison. [count]"""
    relative_error: float
    """Summed absolute error over what happened, NaN when nothing happened. [-]"""
    enough: float
    """Share of counts for which the high number was enough; NaN when none was given. [-]"""

    @property
    def bias(self) -> float:
        """What was said over what happened, less 1; NaN when nothing happened. [-]"""
        return self.forecast / self.actual - 1 if self.actual else float("nan")


def score(actual: ArrayLike, forecast: ArrayLike, high: ArrayLike | None = None) -> Score:
    """
    Score forecasts of counts against what happened.

    Parameters
    ----------
    actual : array
        What happened. [count]
    forecast : array
        What was said; NaN where nothing could be said, which is left out. [count]
    high : array, optional
        The number that was to be enough with a stated chance. [count]

    Returns
    -------
    Score
    """
    happened, said = np.asarray(actual, dtype=np.float64), np.asarray(forecast, dtype=np.float64)
    known = np.isfinite(said)
    happened, said = happened[known], said[known]
    error = np.abs(said - happened)
    total = float(happened.sum())
    enough = float("nan")
    if high is not None and known.any():
        enough = float((happened <= np.asarray(high, dtype=np.float64)[known]).mean())
    return Score(
        compared=int(known.sum()),
        actual=total,
        forecast=float(said.sum()),
        mean_absolute_error=float(error.mean()) if known.any() else float("nan"),
        relative_error=float(error.sum()) / total if total else float("nan"),
        enough=enough,
    )
