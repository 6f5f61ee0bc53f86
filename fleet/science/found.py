"""What the science gives back: columns for a whole shard of treatment units; see ``columns``."""

from dataclasses import dataclass

from fleet.science.columns import Flags, Floats, Ints


@dataclass(frozen=True)
class UnitUse:
    """Water use, one row per treatment unit."""

    permeate_gal_per_day: Floats
    spread_gal_per_sqrt_day: Floats
    """Diffusion of cumulated use: standard deviation after t days is this × √t. [gal/√day]"""
    feed_gal_per_day: Floats
    recovery: Floats
    recovery_is_measured: Flags
    readings_used: Ints
    last_read_at_d: Floats
    is_design_duty: Flags
    """No usable reading: the design duty stands in, with a wide spread."""
    last_ran_at_d: Floats
    """When the unit last made water as far as the meter shows."""
    drift_sd_gal_per_day: Floats
    """How unsure ``permeate_gal_per_day`` itself is, one standard deviation. [gal/day]"""
    wander_seen: Floats
    """Square of the wander of use as this unit's readings alone show it, below 0 by chance; NaN for want of
    readings. [1/day]"""
    wander_per_sqrt_day: Floats
    """Standard deviation of the change of use after t days over use is this × √t. [1/√day]"""
    still_from_d: Floats
    """Start of the newest stretch beyond ``idle_limit_days`` in which no meter moved; NaN if none."""
    still_to_d: Floats
    """Its end as far as the meters show; equal to ``last_read_at_d`` while it lasts."""


@dataclass(frozen=True)
class MeterFaults:
    """One row per faulty meter interval."""

    unit_row: Ints
    water: Ints
    meter_id: Ints
    read_at_d: Floats
    fault: Ints
    """A ``UseFault``."""
    counted_gal: Floats
    """What was counted for the interval after repair. [gal]"""
    raw_gal: Floats
    """What the register alone would say. [gal]"""


@dataclass(frozen=True)
class PartLife:
    """Wear and due dates, one row per part of ``Parts``. Second axis of 2-D arrays: ``Limit``."""

    wear: Floats
    """Consumed fraction, largest of the limits. [-]"""
    wear_by_limit: Floats
    """(parts, 8); NaN where the limit does not apply."""
    wear_per_day_by_limit: Floats
    """(parts, 8) expected growth from now on. [1/day]"""
    governing: Ints
    """The ``Limit`` expected first; PERFORMANCE alone for a membrane that is measured."""
    early_d: Floats
    """10 % chance of reaching the limit by then."""
    likely_d: Floats
    """50 %."""
    late_d: Floats
    """90 %."""
    due_d_by_limit: Floats
    """(parts, 8) expected day each limit is reached."""
    seen_gal: Floats
    """Water the position saw since installation. [gal]"""
    mean_chlorine_mg_l: Floats
    """Volume-weighted oxidant the position saw, in free chlorine. [mg/L]"""
    mean_hardness_mg_l: Floats
    chlorine_leak_mg_l: Floats
    """Expected free chlorine after carbon now, for membranes. [mg/L]"""
    ebct_min: Floats
    """Empty-bed contact time at running flow, for carbon. [min]"""
    membrane_life_lost_per_week: Floats
    """For carbon ahead of a polyamide membrane: share of that membrane's oxidant tolerance spent in the next
    week by leaving the carbon in, beyond what fresh carbon would let through. [1/week]"""
    end_share: Floats
    """Share of the rated dose at which the limit leaks, for the carbon next to a polyamide membrane. [-]"""
    is_tested: Flags
    """The wear of that carbon rests on a test behind it."""
    fresh_leak_mg_l: Floats
    """Total chlorine a fresh bed would let through, for the carbon next to a polyamide membrane. [mg/L]"""
    contact_is_short: Flags
    """That is above the limit: a new cartridge of the same size does not help."""
    is_measured_well: Flags
    """A membrane that fresh, trustworthy readings show to be well."""
    check_d: Floats
    """For such a membrane: when calendar or exposure alone would have ended it, a day to read the gauges."""


@dataclass(frozen=True)
class UnitPerformance:
    """Normalised performance, one row per treatment unit."""

    normalised_flow_gpm: Floats
    baseline_flow_gpm: Floats
    flow_change: Floats
    """Relative to baseline, e.g. -0.12. [-]"""
    salt_passage: Floats
    """Fraction. [-]"""
    baseline_salt_passage: Floats
    passage_change: Floats
    """Relative to baseline. [-]"""
    drop_change: Floats
    """Normalised pressure drop relative to baseline. [-]"""
    raw_flow_change: Floats
    flow_slope_per_day: Floats
    """Robust slope of flow_change. [1/day]"""
    crosses_limit_d: Floats
    """Expected day of crossing the flow limit, NaN when not falling."""
    is_alarm: Flags
    pattern: Ints
    """A ``Pattern``."""
    readings_used: Ints
    baseline_from_d: Floats
    baseline_to_d: Floats
    newest_d: Floats
    """Time of the newest folded point."""
    is_measured: Flags
    """Points enough after a baseline, fresh, with flow and salt passage in a form that is trusted."""
    limit_share: Floats
    """Largest of flow loss, rise of salt passage and of pressure drop, each over its limit. [-]"""
    end_early_d: Floats
    end_likely_d: Floats
    """When the trend reaches the first of the limits, for membranes in alarm; NaN where there is no trend
    and none is reached."""
    end_late_d: Floats


@dataclass(frozen=True)
class PerformanceSeries:
    """Normalised values, one row per performance reading that could be normalised (for charts)."""

    unit_row: Ints
    read_at_d: Floats
    normalised_flow_gpm: Floats
    salt_passage: Floats
    normalised_drop_psi: Floats
    raw_flow_gpm: Floats
    is_simple_form: Flags
    """A gauge, the salinity or the membrane's own constant was missing: corrected for what is known,
    with a wider error."""


@dataclass(frozen=True)
class UnitReadiness:
    """Readiness, one row per treatment unit."""

    state: Ints
    """A ``Readiness``."""
    owed: Ints
    """An ``OwedFlush``."""
    owed_part_row: Ints
    """Row of the part the flush is owed for, -1 for the whole unit."""
    owed_since_d: Floats
    flush_gal: Floats
    flush_minutes: Floats


@dataclass(frozen=True)
class ShardFindings:
    """All that is known about a shard after assessment."""

    use: UnitUse
    faults: MeterFaults
    life: PartLife
    performance: UnitPerformance
    series: PerformanceSeries
    readiness: UnitReadiness
