"""Which recorded flushes speak for which part."""

from dataclasses import dataclass

import numpy as np

from fleet.science.columns import Flags, Floats, Flushes, FlushKind, Ints, Parts
from fleet.science.series import newest_time

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
