"""What the science takes and gives: columns for a whole shard of treatment units at once.

Every ``*_row`` column is a 0-based row number into the table it names; tables are sorted as said.
Times (``*_d``) are float days since 1970-01-01 UTC. Unknown numbers are NaN, unknown rows are -1.
Arrays of one table have one length. Nothing here imports Django.
"""

from dataclasses import dataclass

from fleet.science.codes import (
    Flags,
    Floats,
    FlushKind,
    Ints,
    Limit,
    MembraneType,
    OwedFlush,
    PartRole,
    Pattern,
    Readiness,
    UseFault,
    Water,
)
from fleet.science.found import (
    MeterFaults,
    PartLife,
    PerformanceSeries,
    ShardFindings,
    UnitPerformance,
    UnitReadiness,
    UnitUse,
)

__all__ = [
    "FeedTests",
    "Flags",
    "Floats",
    "FlushKind",
    "Flushes",
    "Ints",
    "Limit",
    "MembraneType",
    "MeterFaults",
    "MeterReadings",
    "OwedFlush",
    "PartLife",
    "PartRole",
    "Parts",
    "Pattern",
    "PerformanceReadings",
    "PerformanceSeries",
    "Readiness",
    "ShardColumns",
    "ShardFindings",
    "UnitPerformance",
    "UnitReadiness",
    "UnitUse",
    "Units",
    "UseFault",
    "Water",
]


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
