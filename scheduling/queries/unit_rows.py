"""The rows of the treatment unit's page: plain and frozen, so that a template can't ask the database."""

from dataclasses import dataclass, field
from datetime import date, datetime

from fleet.models import Flush, MeterReading, PerformanceReading, ReadinessChange, TreatmentUnit
from fleet.schematic import Schematic
from scheduling.queries.figures import Figure


@dataclass(frozen=True)
class PartRow:
    """One part, in place or taken out."""

    position: str
    name: str
    serial: str
    lot: str
    installed_on: date
    removed_on: date | None
    reason: str
    wear: float | None = None
    governing_word: str = ""
    early_on: date | None = None
    likely_on: date | None = None
    late_on: date | None = None
    steps: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class FindingRow:
    """One finding with its numbers."""

    kind_word: str
    tone: str
    why: str
    found_on: date
    gone_on: date | None
    gone_because: str
    steps: list[str]
    figures: list[Figure]
    law: tuple[str, str] | None


@dataclass(frozen=True)
class OrderLine:
    """One work order of the unit."""

    pk: int
    kind_word: str
    state: str
    state_word: str
    why: str
    window_from: date
    window_to: date
    planned: str
    is_late: bool


@dataclass(frozen=True)
class VisitLine:
    """One close-out."""

    order_id: int
    finished_at: datetime
    technician: str
    what: str
    outcome: str
    outcome_word: str
    note: str
    is_undone: bool


@dataclass(frozen=True)
class FeedTestLine:
    """One feed test."""

    sampled_at: datetime
    whose: str
    is_in_force: bool
    free_chlorine_mg_l: float | None
    chloramine_mg_l: float | None
    hardness_mg_l: float | None
    tds_mg_l: float | None
    ph: float | None
    temperature_c: float | None


@dataclass(frozen=True)
class UnitPage:
    """The whole page, but for its charts."""

    unit: TreatmentUnit
    zone: str
    today: date
    parts: list[PartRow]
    past_parts: list[PartRow]
    findings: list[FindingRow]
    past_findings: list[FindingRow]
    orders: list[OrderLine]
    past_orders: list[OrderLine]
    visits: list[VisitLine]
    meter_readings: list[MeterReading]
    gauges: list[PerformanceReading]
    tests: list[FeedTestLine]
    scaling: list[str]
    """Steps of the second opinion on scaling; empty before the first assessment."""
    flushes: list[Flush]
    readiness_changes: list[ReadinessChange]
    schematic: Schematic
    removed_membranes_at: list[datetime]
