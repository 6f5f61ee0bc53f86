"""Array types, and the numbers that stand for words in a column.

What the science takes and gives: columns for a whole shard of treatment units at once.
One door from anything number-like to an array of floats, and what may divide.

Every ``*_row`` column is a 0-based row number into the table it names; tables are sorted as said.
Times (``*_d``) are float days since 1970-01-01 UTC. Unknown numbers are NaN, unknown rows are -1.
Arrays of one table have one length. Nothing here imports Django.
"""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


class PartRole(IntEnum):
    """What a part does to the water."""

    SEDIMENT = 1
    CARBON = 2
    CATALYTIC_CARBON = 3
    MEMBRANE = 4
    SOFTENING = 5
    ANTISCALE = 6
    POST_CARBON = 7
    REMINERALISER = 8


class Water(IntEnum):
    """Which water a meter counts or a position sees."""

    FEED = 1
    PERMEATE = 2
    CONCENTRATE = 3


class MembraneType(IntEnum):
    """Polyamide is spoiled by chlorine; cellulose triacetate needs it."""

    NONE = 0
    POLYAMIDE = 1
    CELLULOSE_TRIACETATE = 2


class Limit(IntEnum):
    """What ends a part's life. The numbers index the second axis of ``PartLife.wear``."""

    VOLUME = 0
    CALENDAR = 1
    CHLORINE_DOSE = 2
    HARDNESS_LOAD = 3
    OXIDANT_EXPOSURE = 4
    PRESSURE_DROP = 5
    MEASURED_END = 6
    PERFORMANCE = 7
    """Flow, salt passage and pressure drop as measured; for membranes that somebody measures."""


class UseFault(IntEnum):
    """What is wrong with a meter interval (the stretch that ends at a reading)."""

    NONE = 0
    ROLLOVER = 1
    SWAP = 2
    REVERSED = 3
    STUCK = 4
    MEASURE_SLIP = 5
    OUTLIER = 6


class Readiness(IntEnum):
    """Whether a treatment unit may make water."""

    IN_SERVICE = 1
    FLUSH_OWED = 2
    BEDDING = 3
    IDLE = 4
    OUT_OF_SERVICE = 5


class OwedFlush(IntEnum):
    """Why a flush is owed."""

    NONE = 0
    CARBON_FINES = 1
    BEDDED_OVERNIGHT = 2
    MEMBRANE_STORAGE_SOLUTION = 3
    IDLE = 4
    SANITISED = 5
    SEEN_FINES = 6


class FlushKind(IntEnum):
    """What a recorded flush was for."""

    CARBON_FINES = 1
    BEDDED_OVERNIGHT = 2
    MEMBRANE_STORAGE_SOLUTION = 3
    IDLE = 4
    SANITISED = 5
    BED_STARTED = 6
    """Not a flush: the bed was left standing in feed water overnight."""


class Pattern(IntEnum):
    """What a change in normalised performance looks like."""

    NONE = 0
    COLD_WATER_ONLY = 1
    FOULING = 2
    SCALING = 3
    OXIDATION = 4
    SEAL_LEAK = 5
    COMPACTION = 6
    UNNAMED = 7


@dataclass(frozen=True)
class Units:
    """Treatment units, sorted by ``unit_id``."""

    unit_id: Ints
    site_source_row: Ints
    """Row number of the site's own series in ``FeedTests.source_row``, -1 when it has none."""
    supply_source_row: Ints
    design_recovery: Floats
    """Permeate over feed. [-]"""
    design_use_gal_per_day: Floats
    """Permeate the site is expected to use. [gal/day]"""
    design_permeate_gpm: Floats
    """Permeate flow when running, for running hours. [gpm]"""
    commissioned_d: Floats
    is_out_of_service: Flags
    idle_limit_days: Floats


@dataclass(frozen=True)
class MeterReadings:
    """Register readings, sorted by (``unit_row``, ``water``, ``read_at_d``). Already in gallons."""

    unit_row: Ints
    water: Ints
    """A ``Water``."""
    meter_id: Ints
    """A change of meter_id inside a series is a recorded swap."""
    read_at_d: Floats
    total_gal: Floats
    rollover_gal: Floats
    """Where this meter's register starts again at zero. [gal]"""


@dataclass(frozen=True)
class FeedTests:
    """Feed-water tests, sorted by (``source_row``, ``sampled_at_d``). A source is a site or a supply."""

    source_row: Ints
    sampled_at_d: Floats
    free_chlorine_mg_l: Floats
    chloramine_mg_l: Floats
    hardness_mg_l: Floats
    """As CaCO3."""
    calcium_hardness_mg_l: Floats
    """As CaCO3."""
    alkalinity_mg_l: Floats
    """As CaCO3."""
    tds_mg_l: Floats
    conductivity_us_cm: Floats
    ph: Floats
    temperature_c: Floats
    iron_mg_l: Floats
    manganese_mg_l: Floats
    silica_mg_l: Floats
    sulfate_mg_l: Floats
    turbidity_ntu: Floats


@dataclass(frozen=True)
class Parts:
    """Parts in place, sorted by (``unit_row``, ``position_order``)."""

    part_id: Ints
    unit_row: Ints
    position_order: Ints
    """Along the water, feed first."""
    role: Ints
    """A ``PartRole``."""
    water: Ints
    """``Water.FEED`` or ``Water.PERMEATE``: what the position sees."""
    installed_at_d: Floats
    made_on_d: Floats
    rated_gal: Floats
    rated_months: Floats
    shelf_life_months: Floats
    rating_chlorine_mg_l: Floats
    """Challenge concentration of the chlorine rating. [mg/L]"""
    chloramine_factor: Floats
    """How much capacity 1 mg/L of chloramine takes, in free chlorine. [-]"""
    bed_volume_ft3: Floats
    rated_flow_gpm: Floats
    terminal_drop_psi: Floats
    clean_drop_psi: Floats
    clean_drop_flow_gpm: Floats
    rated_hardness_mg_l: Floats
    """Hardness at which months and gallons hold without shortening. [mg/L as CaCO3]"""
    hardness_capacity_grains: Floats
    """Softening capacity. [grain]"""
    oxidant_tolerance_mg_h_l: Floats
    """Free chlorine × running hours before noticeable loss. [mg·h/L]"""
    membrane_type: Ints
    """A ``MembraneType``."""
    temperature_k_below_25: Floats
    """Constant of the temperature factor below 25 °C. [K]"""
    temperature_k_from_25: Floats
    """Constant of the temperature factor at 25 °C and above. [K]"""
    flush_gal: Floats
    """Water to drain when new. [gal]"""
    needs_flush: Flags
    learned_life_gal: Floats
    """Life learned from the fleet's own removals, NaN while data are few. [gal]"""
    learned_life_shape: Floats
    """Weibull shape learned from the fleet, NaN while data are few. [-]"""


@dataclass(frozen=True)
class PerformanceReadings:
    """Gauges and flows at one moment, sorted by (``unit_row``, ``read_at_d``)."""

    unit_row: Ints
    read_at_d: Floats
    feed_pressure_psi: Floats
    concentrate_pressure_psi: Floats
    permeate_pressure_psi: Floats
    feed_temperature_c: Floats
    feed_conductivity_us_cm: Floats
    permeate_conductivity_us_cm: Floats
    permeate_flow_gpm: Floats
    concentrate_flow_gpm: Floats
    sediment_inlet_psi: Floats
    sediment_outlet_psi: Floats
    chlorine_after_carbon_mg_l: Floats
    saw_fines: Flags


@dataclass(frozen=True)
class Flushes:
    """Recorded flushes, sorted by (``unit_row``, ``flushed_at_d``)."""

    unit_row: Ints
    part_id: Ints
    """Which part it was for; -1 for the whole unit."""
    kind: Ints
    """A ``FlushKind``."""
    flushed_at_d: Floats
    volume_gal: Floats
    minutes: Floats
    ran_clear: Flags


@dataclass(frozen=True)
class ShardColumns:
    """All that is needed to assess a shard."""

    units: Units
    readings: MeterReadings
    tests: FeedTests
    parts: Parts
    performance: PerformanceReadings
    flushes: Flushes


_LEAST = 1e-30


def as_floats(values: ArrayLike) -> Floats:
    """
    Return values as an array of 64-bit floats. [any]

    Parameters
    ----------
    values : number, sequence or array
        Anything numpy reads as numbers.

    Returns
    -------
    array
        The same array when it already is one of 64-bit floats.
    """
    return np.asarray(values, dtype=np.float64)


def positive(values: Floats) -> Floats:
    """
    Return values with anything not above 0 as NaN (not above 1e-30, so that a quotient stays finite). [any]

    Parameters
    ----------
    values : array
        Any numbers.

    Returns
    -------
    array
        The same, for use as a divisor.
    """
    return np.where(values > _LEAST, values, np.nan)
