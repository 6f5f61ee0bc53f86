"""What counts as lost performance, in one place, each number with its source."""

from dataclasses import dataclass, fields


@dataclass(frozen=True)
class PerformanceSettings:
    """Thresholds and shape of the performance check. Raises ValueError for a number out of range."""

    flow_limit: float = 0.10
    """Loss of normalised flow at which cleaning or replacement is due: 10 % (D4516 engineering pages, a
    laboratory RO manual p. 4-11, US Army TM 10-4610-309-14 WP0016; others 10 to 15 %). [-]"""
    flow_watch: float = 0.05
    """Smallest change of flow worth an alarm, half the limit so that a visit can be planned. Ours. [-]"""
    passage_limit: float = 0.10
    """Relative rise of salt passage worth an alarm: 10 % (a trade bulletin says +5 to 10 %, a commercial
    unit's manual, p. 11, +10 to 15 %). [-]"""
    drop_limit: float = 0.15
    """Rise of normalised pressure drop that names a pattern: 10 to 15 % (same two sources). [-]"""
    drop_alone_limit: float = 0.50
    """Rise of pressure drop that is an alarm though flow and passage hold: an antiscalant maker warns
    against judging by pressure drop alone; +50 % is a value from memory of makers' bulletins. [-]"""
    cold_drop: float = 0.10
    """Loss of raw flow people notice, explained as cold water when the normalised flow holds. Ours. [-]"""

    settling_days: float = 1.0
    """After a new membrane the flow settles for 24 to 48 hours (dealer and makers' guidance). [day]"""
    point_days: float = 7.0
    """Readings this near each other fold into one point, their median. Ours. [day]"""
    baseline_days: float = 60.0
    """Baseline points come from this long after settling. Ours. [day]"""
    baseline_points: int = 6
    """At most so many points make the baseline. Ours."""
    baseline_least_points: int = 3
    """At least so many, however long they take. Ours."""

    flow_error_full: float = 0.03
    """Expected scatter (1 sigma) of a normalised flow with every gauge read: 2 % flow meter, 1 % gauges,
    0.5 °C. Replaced by the treatment unit's own scatter as points come in. Ours. [-]"""
    flow_error_some_gauges: float = 0.05
    """The same with a gauge or the concentrate flow unread. Ours. [-]"""
    flow_error_temperature_only: float = 0.10
    """The same corrected for temperature alone, line pressure and salinity moving as at a real site; all
    three are checked by simulation in test_normalise. Ours. [-]"""
    passage_error: float = 0.06
    """Expected scatter of normalised salt passage. Ours. [-]"""
    drop_error: float = 0.05
    """Expected scatter of normalised pressure drop beside that of the gauges. Ours. [-]"""
    drop_error_psi: float = 1.0
    """Expected scatter of the difference of two gauges, 0.7 psi each: all of it falls on a small drop. Ours.
    [psi]"""
    error_weight_points: float = 12.0
    """How many points of own scatter weigh as much as the expected scatter. Ours."""

    ewma_weight: float = 0.25
    """Weight of the newest point (Lucas & Saccucci advise 0.05 to 0.25, value from memory). [-]"""
    ewma_limit: float = 3.0
    """Half-width of the band in standard deviations of the average; test_decay simulates the run
    length. [-]"""
    clip_sigma: float = 6.0
    """A point counts at most so far off, so a single misreading raises no alarm. Ours. [-]"""

    slope_points: int = 26
    """Points in the robust slope, half a year of weekly readings. Ours."""
    slope_least_points: int = 5
    """Fewer give no slope. Ours."""
    slope_z: float = 1.645
    """One-sided 5 % Mann-Kendall test before a fall is forecast. [-]"""
    horizon_days: float = 1095.0
    """No forecast further ahead. Ours. [day]"""
    k_error: float = 0.04
    """How wrong a membrane's stated temperature constant may be, as a share; a change it could explain
    does not count. Ours. [-]"""
    fallback_k_error: float = 0.15
    """The same for the fallback constant: published families run from about 2400 to 3020. [-]"""
    salt_k_error: float = 0.15
    """How far salt transport may follow another constant than water (ASTM D4516 takes the water's where the
    maker gives none). Ours. [-]"""
    fallback_k: float = 2700.0
    """Temperature constant when the membrane's own is unknown, fits the household table; the reading is then
    marked as the simple form. [K]"""

    def __post_init__(self) -> None:
        for item in fields(self):
            if not getattr(self, item.name) > 0:
                raise ValueError(f"{item.name} must be above 0; it is {getattr(self, item.name)}.")
        if self.ewma_weight > 1:
            raise ValueError(f"ewma_weight must be at most 1; it is {self.ewma_weight}.")
        if self.baseline_least_points > self.baseline_points:
            raise ValueError("baseline_least_points must not exceed baseline_points.")
        if self.slope_points > WINDOW_POINTS or self.slope_least_points < 3:
            raise ValueError(f"slope_points may be at most {WINDOW_POINTS}, slope_least_points at least 3.")


WINDOW_POINTS = 52
"""Newest points looked at for change, a year of weekly ones; older ones weigh less than 0.00001."""
