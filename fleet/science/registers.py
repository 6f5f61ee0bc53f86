"""Meter registers as read, lined up with their neighbours, and what each interval is worth."""

from dataclasses import dataclass

import numpy as np

from fleet.science.columns import Flags, Floats, Ints

WATERS = 4
"""Series number = treatment unit × 4 + ``Water``; 0 is not used."""


@dataclass(frozen=True)
class Registers:
    """Readings that carry a number, sorted by (``series``, ``at_d``)."""

    series: Ints
    meter_id: Ints
    at_d: Floats
    total_gal: Floats
    rollover_gal: Floats
    days: Floats
    """Length of the interval that ends here; NaN at the first reading of a series. [day]"""
    follows: Flags
    """The row before belongs to the same series."""
    follows_meter: Flags
    """The row before is of the same meter, too."""


@dataclass(frozen=True)
class Counted:
    """What each interval is worth, one row per row of ``Registers``."""

    gal: Floats
    """Counted use; 0 at the first reading of a series. [gal]"""
    raw_gal: Floats
    """Register difference as entered; 0 at the first reading. [gal]"""
    fault: Ints
    is_still: Flags
    """The register did not move."""


def line_up(series: Ints, meter_id: Ints, at_d: Floats, total_gal: Floats, rollover_gal: Floats) -> Registers:
    """
    Prepare sorted readings for judgement.

    Parameters
    ----------
    series : array (n,)
        Series number, sorted.
    meter_id : array (n,)
        Meter of each reading.
    at_d : array (n,)
        Times, sorted inside a series. [day]
    total_gal : array (n,)
        Register. [gal]
    rollover_gal : array (n,)
        Where the register starts again, NaN when unknown. [gal]

    Returns
    -------
    Registers
        The same rows with their neighbours known.

    Raises
    ------
    ValueError
        When rows are not sorted.
    """
    count = len(series)
    follows = np.zeros(count, dtype=bool)
    same_meter = np.zeros(count, dtype=bool)
    days = np.full(count, np.nan)
    if count:
        follows[1:] = series[1:] == series[:-1]
        same_meter[1:] = follows[1:] & (meter_id[1:] == meter_id[:-1])
        days[1:] = np.where(follows[1:], np.diff(at_d), np.nan)
        if (np.diff(series) < 0).any() or (days < 0).any():
            raise ValueError("Readings must be sorted by unit_row, water, read_at_d.")
    return Registers(series, meter_id, at_d, total_gal, rollover_gal, days, follows, same_meter)
