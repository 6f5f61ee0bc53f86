"""What is advised about each membrane: leave, clean or replace a failing one, look at a sound one."""

from dataclasses import dataclass, field
from datetime import date
from typing import Final

import numpy as np

from fleet.assessment.due_windows import TRIP_COST
from fleet.science import columns as science
from fleet.science import found as science_found
from fleet.science.membranes import Advice, CarePrices, MembraneVerdicts, ends_of_well, weigh_choices
from fleet.science.settings import DAYS_PER_MONTH

CLEANING_COST: Final = 110.0
"""Two hours and chemicals for one cleaning in place, beside the trip. *Common practice.* [currency]"""
CHOICES: Final = ("leave", "clean", "replace")
EXPECTED: Final = ("early_on", "likely_on", "late_on")


def expected_dates(expected: dict[str, str | None]) -> tuple[date | None, ...]:
    """Return early, likely and late end of a membrane that is well, as its state's numbers have them."""
    return tuple(date.fromisoformat(day) if (day := expected[name]) else None for name in EXPECTED)


@dataclass(frozen=True)
class MembraneCare:
    """One row per part; advice NONE for parts that are no failing membrane."""

    advice: np.ndarray
    """An ``Advice``."""
    cost: np.ndarray
    """(parts, 3) of leaving, cleaning, replacing. [currency]"""
    lasts_until_d: np.ndarray
    """(parts, 3). [day]"""
    is_held: np.ndarray
    """Measured, and no change is called for."""
    is_short: np.ndarray
    """Carbon whose bed is too small for its water."""
    check_d: np.ndarray
    """When calendar or exposure asks for a look at the gauges of a membrane that is well. [day]"""
    read_d: np.ndarray
    """When its gauges were read last. [day]"""
    expected_d: np.ndarray
    """(parts, 3) 10, 50 and 90 % days of the end of a membrane that is well, for stock alone. [day]"""
    check_on: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype="datetime64[D]"))
    read_on: np.ndarray = field(default_factory=lambda: np.zeros(0, dtype="datetime64[D]"))
    """The same two as the site's days."""

    def word(self, row: int) -> str:
        """Return the advice for one part as a code, e.g. “replace”."""
        return Advice(int(self.advice[row])).name.lower()


def membrane_care(
    parts: science.Parts, found: science_found.ShardFindings, part_cost: np.ndarray, now_d: float
) -> MembraneCare:
    """Weigh what to do about the membranes of a shard.

    Parameters
    ----------
    parts, found : science tables of one shard
    part_cost : array
        What each part costs the company. [currency]
    now_d : float
        The moment of judgement. [day]
    """
    life, unit, count = found.life, parts.unit_row, len(part_cost)
    is_governed = life.governing == science.Limit.PERFORMANCE
    failing = np.flatnonzero(is_governed & ~life.is_measured_well)
    choices = weigh_choices(
        MembraneVerdicts(
            is_well=np.zeros(len(failing), dtype=bool),
            is_failing=np.ones(len(failing), dtype=bool),
            wear=life.wear[failing],
            wear_per_day=life.wear_per_day_by_limit[failing, science.Limit.PERFORMANCE],
            early_d=life.early_d[failing],
            likely_d=life.likely_d[failing],
            late_d=life.late_d[failing],
        ),
        found.performance.pattern[unit[failing]],
        parts.installed_at_d[failing],
        parts.rated_months[failing] * DAYS_PER_MONTH,
        part_cost[failing],
        now_d,
        CarePrices(trip=TRIP_COST, cleaning=CLEANING_COST),
    )
    advice = np.zeros(count, dtype=np.int64)
    cost, until = np.full((count, 3), np.nan), np.full((count, 3), np.nan)
    advice[failing], cost[failing], until[failing] = choices.advice, choices.cost, choices.lasts_until_d
    return MembraneCare(
        advice=advice,
        cost=cost,
        lasts_until_d=until,
        is_held=is_governed & (advice != Advice.REPLACE),
        is_short=life.contact_is_short,
        check_d=life.check_d,
        read_d=found.performance.newest_d[unit],
        expected_d=expected_ends(parts, life.is_measured_well, now_d),
    )


def expected_ends(parts: science.Parts, is_well: np.ndarray, now_d: float) -> np.ndarray:
    """Return (parts, 3) the 10, 50 and 90 % days of the end of membranes that are well, NaN for others."""
    ends = ends_of_well(now_d - parts.installed_at_d, parts.rated_months * DAYS_PER_MONTH)
    return np.where(is_well[:, None], now_d + np.column_stack(ends), np.nan)
