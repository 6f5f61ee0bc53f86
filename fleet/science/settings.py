"""Numbers an assessment rests on, each with its source, in one checked place."""

from dataclasses import dataclass, field, fields

from fleet.science.performance_charts import PerformanceSettings
from fleet.science.season import SeasonClock

DAYS_PER_MONTH = 365.2425 / 12
"""Gregorian mean month. [day]"""


@dataclass(frozen=True)
class UseSettings:
    """How meter readings are judged. Raises ValueError for a number out of range."""

    plausible_multiple: float = 8.0
    """An interval above this many times typical use is not believed. Ours. [-]"""
    physical_margin: float = 1.5
    """Nor one above this times the design flow day and night; warm water gives up to 1.3. Ours. [-]"""
    reversed_multiple: float = 4.0
    """A register that falls by less than this many times typical use runs backwards; by more, it is another
    meter. Ours. [-]"""
    spike_multiple: float = 1.5
    """A value this many times the use between its neighbours off their line is a misreading. Ours. [-]"""
    still_days: float = 14.0
    """A register standing longer than this is stuck where another meter moved, idle where it stood. Ours.
    [day]"""
    away_days: float = 45.0
    """Where no other meter tells, people may be away this long before a standing register is stuck, unless it
    then jumps by what was missing. Ours. [day]"""
    few_readings: float = 4.0
    """With fewer good intervals the design duty serves as typical use. Ours."""
    half_life_days: float = 180.0
    """Age at which a reading weighs half. Ours; a year-old reading weighs a quarter. [day]"""
    design_cv: float = 0.5
    """How far true use may lie from the design duty, one standard deviation, relative. Ours. [-]"""
    design_spread: float = 0.7
    """Day-to-day standard deviation of use relative to the mean, when readings are few. Ours. [√day]"""
    use_wander: float = 0.0027
    """How fast daily use itself wanders off, by tenants, habits, growth: the standard deviation of its change
    after t days is this × √t, relative; 5 % in a year until the fleet taught it. Ours. [1/√day]"""
    spread_weight: float = 4.0
    """How many intervals the expected spread weighs as much as. Ours."""

    def __post_init__(self) -> None:
        _all_positive(self)


@dataclass(frozen=True)
class WearSettings:
    """How parts wear. Raises ValueError for a number out of range."""

    site_test_lasts_days: float = 400.0
    """A site's own test goes before the supply's this long, a yearly test with some grace. Ours. [day]"""
    chlorine_after_carbon_limit_mg_l: float = 0.1
    """Carbon ahead of polyamide is used up where total chlorine behind it reaches this (a commercial RO
    unit's manual and dialysis practice, AAMI). [mg/L]"""
    strip_reads_mg_l: float = 0.05
    """A test behind carbon that shows less says no more than “below this”. Ours. [mg/L]"""
    measured_leak_lasts_days: float = 30.0
    """A chlorine test after carbon replaces the model's leak this long. Ours. [day]"""
    carbon_half_time_min: float = 0.5
    """Contact time in which carbon halves free chlorine: 3 cm at 3.6 m/h, the example of a carbon supplier's
    two pages on the half-value depth of DIN 19603; form C/C0 = 0.5^(L/Lhalf). [min]"""
    chloramine_half_time_min: float = 2.0
    """The same for monochloramine on ordinary carbon: dialysis practice asks 10 min to bring a utility's 3 to
    4 mg/L to 0.1, five halvings. Ours, from that. [min]"""
    catalytic_half_time_min: float = 1.0
    """The same on catalytic carbon: half of it. Common practice says “less”; the figure is ours. [min]"""
    fresh_halvings: float = 6.0
    """Halvings in fresh carbon whose bed volume is unknown. Ours. [-]"""
    least_halvings: float = 2.0
    """Bounds of the halvings: no carbon is sold with less, and channelling allows no more. Ours. [-]"""
    most_halvings: float = 12.0
    """See ``least_halvings``. [-]"""
    earlier_carbon_end_wear: float = 0.8
    """How far carbon before the present one was used, for membranes older than their carbon. Ours. [-]"""
    drop_error_psi: float = 1.0
    """A rise of pressure drop within this is none: two gauges of 0.7 psi each. Ours. [psi]"""
    drop_least_days: float = 5.0
    """Days of usual water a sediment cartridge has seen before its drop is drawn on into the future. Ours.
    [day]"""
    clean_within_days: float = 14.0
    """The first reading after a change, if it is this early, is the clean drop where none was noted. Ours.
    [day]"""
    oxidant_tolerance_mg_h_l: float = 500.0
    """Polyamide, when the maker gives none: makers say 200 to 1000 mg·h/L. [mg·h/L]"""
    softened_share: float = 0.05
    """Hardness a softening cartridge lets through before its end. Ours. [-]"""
    horizon_days: float = 3650.0
    """No date is given further ahead. Ours. [day]"""

    def __post_init__(self) -> None:
        _all_positive(self)
        if not 1 < self.least_halvings <= self.fresh_halvings <= self.most_halvings:
            raise ValueError("Halvings must rise: 1 < least_halvings <= fresh_halvings <= most_halvings.")


@dataclass(frozen=True)
class ReadinessSettings:
    """How flushes are judged and sized. Raises ValueError for a number out of range."""

    bedding_hours: float = 8.0
    """A bed stands overnight in feed water. Common practice. [h]"""
    flush_gpm: float = 1.25
    """Flow to drain; 20 to 30 gal in about 20 minutes is common practice. [gpm]"""
    carbon_flush_gal: float = 25.0
    """Fresh carbon, when its kind gives none: 20 to 30 gal, common practice. [gal]"""
    membrane_flush_gal: float = 25.0
    """New membrane, when its kind gives none: 20 minutes at line pressure, common practice. [gal]"""
    idle_flush_gal: float = 25.0
    """After standing idle or sanitising. Ours; the maker's manual goes first. [gal]"""

    def __post_init__(self) -> None:
        _all_positive(self)


@dataclass(frozen=True)
class AssessmentSettings:
    """Everything ``assess_shard`` may be told beside the data."""

    use: UseSettings = field(default_factory=UseSettings)
    wear: WearSettings = field(default_factory=WearSettings)
    readiness: ReadinessSettings = field(default_factory=ReadinessSettings)
    performance: PerformanceSettings = field(default_factory=PerformanceSettings)
    season: SeasonClock = field(default_factory=SeasonClock)
    """Flat unless the fleet's own season was learned (``fleet.science.season``)."""
    units_at_once: int = 8_192
    """Treatment units worked on together; bounds memory, changes no result."""

    def __post_init__(self) -> None:
        if self.units_at_once < 1:
            raise ValueError(f"units_at_once must be at least 1; it is {self.units_at_once}.")


def _all_positive(settings: object) -> None:
    for item in fields(settings):  # type: ignore[arg-type]
        value = getattr(settings, item.name)
        if not value > 0:
            raise ValueError(f"{item.name} must be above 0; it is {value}.")
