"""What the benchmark of the assessment found."""

from dataclasses import dataclass, field


@dataclass
class AssessFigures:
    """What was measured. Seconds are medians of wall time, each in a process of its own; None: left out."""

    units: int
    readings: int
    load_s: float
    first_assess_s: float
    """With every row new."""
    worker_peak_mib: float
    """Highest memory of a worker in any of these. [MiB]"""
    rebuild_s: float | None = None
    """All of the fleet once more, a night later."""
    rebuild_processor_s: float | None = None
    """Processor time of the worker in it; the database's own comes on top."""
    units_per_second: float | None = None
    stage_share: dict[str, float] = field(default_factory=dict)
    """Share of a rebuild's time by stage, largest first."""
    bare_copy_s: float | None = None
    """Only reading the meter readings' columns out of the database, row by row of a binary COPY."""
    copy_rows_per_second: float | None = None
    rebuild_over_bare_copy: float | None = None
    orm_rows_per_second: float | None = None
    """One object a row, by the ORM, on a sample."""
    copy_over_orm: float | None = None
    night_all_s: float | None = None
    """A night with one new reading for every treatment unit."""
    night_all_over_rebuild: float | None = None
    night_week_s: float | None = None
    """A night with one new reading for one in seven, after a week of such nights."""
    night_week_units: int | None = None
    """How many treatment units such a night takes."""
    night_week_over_rebuild: float | None = None
    two_workers_s: float | None = None
    """A rebuild shared by two."""
    two_workers_gain: float | None = None
    """One worker's time over theirs, same shards."""
