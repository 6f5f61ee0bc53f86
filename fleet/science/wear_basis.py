"""What every limit of a part is measured with: its water, time and feed since it was put in place.

Which recorded flushes speak for which part.
"""

from dataclasses import dataclass

import numpy as np

from fleet.science.columns import (
    Flags,
    Floats,
    Flushes,
    FlushKind,
    Ints,
    PartRole,
    Parts,
    Units,
    Water,
    positive,
)
from fleet.science.curves import UseCurves, gallons_between
from fleet.science.feed_water import Carried, FeedHistory, carried_since
from fleet.science.found import UnitUse
from fleet.science.series import newest_time
from fleet.science.settings import DAYS_PER_MONTH

CARBONS = (PartRole.CARBON, PartRole.CATALYTIC_CARBON, PartRole.POST_CARBON)
_MINUTES_PER_HOUR = 60.0


@dataclass(frozen=True)
class Basis:
    """One row per part."""

    seen_gal: Floats
    """Water of the part's own kind since installation. [gal]"""
    gal_per_day: Floats
    own_per_feed: Floats
    """Gallons of the part's own water per gallon of feed: 1 or recovery. [-]"""
    feed_per_day: Floats
    carried: Carried
    running_gpm: Floats
    """Flow of the part's own water while the unit runs. [gpm]"""
    flow_excess: Floats
    """Running flow over rated flow where above 1, else 1. [-]"""
    rated_gal: Floats
    """Learned life, else rating. [gal]"""
    rated_days: Floats
    days_in_place: Floats
    """With the time beyond shelf life before installation. [day]"""
    recovery: Floats


def measure_basis(
    units: Units, use: UnitUse, curves: UseCurves, history: FeedHistory, parts: Parts, now_d: float
) -> Basis:
    """
    Measure what each part has seen.

    Parameters
    ----------
    units : Units
        Treatment units.
    use : UnitUse
        Their use.
    curves : UseCurves
        Cumulated gallons.
    history : FeedHistory
        Feed-water stretches.
    parts : Parts
        Parts in place.
    now_d : float
        The moment of judgement. [day]

    Returns
    -------
    Basis
        One row per part; NaN where an input is unknown.

    Notes
    -----
    Running flow is the design permeate flow, divided by recovery for feed. Time on the shelf beyond the shelf
    life counts as time in place.
    """
    row = parts.unit_row
    since = np.minimum(parts.installed_at_d, now_d)
    recovery = use.recovery[row]
    is_feed = parts.water == Water.FEED
    running = np.where(is_feed, units.design_permeate_gpm[row] / recovery, units.design_permeate_gpm[row])
    excess = running / positive(parts.rated_flow_gpm)
    shelved = since - parts.made_on_d - parts.shelf_life_months * DAYS_PER_MONTH
    learned = np.isfinite(parts.learned_life_gal)
    return Basis(
        seen_gal=gallons_between(curves, row, parts.water, since, np.full(len(row), now_d)),
        gal_per_day=curves.gal_per_day[row, parts.water],
        own_per_feed=np.where(is_feed, 1.0, recovery),
        feed_per_day=use.feed_gal_per_day[row],
        carried=carried_since(history, curves, row, since, now_d),
        running_gpm=positive(running),
        flow_excess=np.fmax(excess, 1.0),
        rated_gal=positive(np.where(learned, parts.learned_life_gal, parts.rated_gal)),
        rated_days=positive(parts.rated_months * DAYS_PER_MONTH),
        days_in_place=now_d - since + np.fmax(shelved, 0.0),
        recovery=recovery,
    )


def has_role(parts: Parts, *roles: PartRole) -> Ints:
    """
    Return rows of parts with one of the roles.

    Parameters
    ----------
    parts : Parts
        Parts in place.
    *roles : PartRole
        Roles wanted.

    Returns
    -------
    array
        Row numbers.
    """
    return np.flatnonzero(np.isin(parts.role, [int(role) for role in roles]))


def running_hours_per_feed_gal(basis: Basis, permeate_gpm: Floats) -> Floats:
    """
    Return hours the unit runs for each gallon of feed.

    Parameters
    ----------
    basis : Basis
        For recovery.
    permeate_gpm : array (parts,)
        Design permeate flow. [gpm]

    Returns
    -------
    array (parts,)
        Recovery / (60 × permeate flow). [h/gal]
    """
    return basis.recovery / (_MINUTES_PER_HOUR * positive(permeate_gpm))


FINES_KINDS = (FlushKind.CARBON_FINES, FlushKind.BEDDED_OVERNIGHT)


@dataclass(frozen=True)
class PartFlushes:
    """One row per part."""

    newest_d: Floats
    """Newest such flush since installation, minus infinity for none. [day]"""
    count: Ints


@dataclass(frozen=True)
class FlushTargets:
    """Pairs of a flush and a part it was for; a flush of the whole unit pairs with each of its parts."""

    flush: Ints
    part: Ints


def flush_targets(parts: Parts, flushes: Flushes) -> FlushTargets:
    """
    Pair flushes with parts in place.

    Parameters
    ----------
    parts : Parts
        Parts in place, sorted by unit.
    flushes : Flushes
        Recorded flushes.

    Returns
    -------
    FlushTargets
        Only flushes at or after the part's installation.
    """
    begin = np.searchsorted(parts.unit_row, flushes.unit_row, side="left")
    length = np.searchsorted(parts.unit_row, flushes.unit_row, side="right") - begin
    flush = np.repeat(np.arange(len(flushes.unit_row)), length)
    ends = np.cumsum(length)
    part = np.arange(len(flush)) - np.repeat(ends - length, length) + np.repeat(begin, length)
    meant = (flushes.part_id[flush] < 0) | (flushes.part_id[flush] == parts.part_id[part])
    meant &= flushes.flushed_at_d[flush] >= parts.installed_at_d[part]
    return FlushTargets(flush[meant], part[meant])


def newest_flush(parts: Parts, flushes: Flushes, targets: FlushTargets, wanted: Flags) -> PartFlushes:
    """
    Return each part's newest flush out of the wanted ones.

    Parameters
    ----------
    parts : Parts
        Parts in place.
    flushes : Flushes
        Recorded flushes.
    targets : FlushTargets
        From ``flush_targets``.
    wanted : array (flushes,)
        Which flushes count.

    Returns
    -------
    PartFlushes
        One row per part.
    """
    use = wanted[targets.flush]
    part, at_d = targets.part[use], flushes.flushed_at_d[targets.flush[use]]
    count = len(parts.part_id)
    return PartFlushes(newest_time(part, count, at_d), np.bincount(part, minlength=count).astype(np.int64))


def clear_flushes(parts: Parts, flushes: Flushes, now_d: float) -> PartFlushes:
    """
    Return each part's flushes of carbon fines that ran clear.

    Parameters
    ----------
    parts : Parts
        Parts in place.
    flushes : Flushes
        Recorded flushes.
    now_d : float
        Later ones are left out. [day]

    Returns
    -------
    PartFlushes
        One row per part.
    """
    wanted = np.isin(flushes.kind, [int(kind) for kind in FINES_KINDS]) & flushes.ran_clear
    wanted &= flushes.flushed_at_d <= now_d
    return newest_flush(parts, flushes, flush_targets(parts, flushes), wanted)
