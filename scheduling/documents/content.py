"""What a printed document says, as plain data. No Django: whoever reads the database fills these in."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.utils.translation import gettext_lazy

Stroke = Sequence[tuple[float, float]]
"""One line of a pen, point by point, in any measure; y grows downwards."""


@dataclass(frozen=True)
class ReadingLine:
    """One gauge before and after the work, as shown; "" where it was not read."""

    label: str
    before: str
    after: str


@dataclass(frozen=True)
class PartLine:
    """One part that came out or went in. ``reason`` only for one that came out."""

    position: str
    name: str
    serial: str
    lot: str
    reason: str = ""


@dataclass(frozen=True)
class FlushLine:
    """One recorded flush."""

    kind_word: str
    volume: str
    minutes: str
    ran_clear: bool


@dataclass(frozen=True)
class StepLine:
    """One step of the sheet. ``is_done`` is None on a sheet that is still to be worked."""

    text: str
    is_hazard_control: bool
    is_done: bool | None = None
    because: str = ""


@dataclass(frozen=True)
class DueLine:
    """When a part in place is due next."""

    position: str
    name: str
    early_on: date | None
    likely_on: date | None
    late_on: date | None


@dataclass(frozen=True)
class PhotoLine:
    """One photo of a visit; no bytes where its file is gone."""

    caption: str
    jpeg: bytes


@dataclass(frozen=True)
class ServiceReport:
    """What was found and done at one visit, for the customer's file. Holds no money."""

    company: str
    number: str
    kind_word: str
    outcome_word: str
    undone: str
    customer: str
    site: str
    address: str
    serial: str
    unit_label: str
    technician: str
    finished_at: datetime
    minutes: int
    why: str
    cautions: list[str]
    readings_before_at: datetime | None
    readings: list[ReadingLine]
    parts_out: list[PartLine]
    parts_in: list[PartLine]
    flushes: list[FlushLine]
    steps: list[StepLine]
    sheet_version: int | None
    follow_up: str
    readiness_word: str
    owed_word: str
    next_due: list[DueLine]
    assessed_at: datetime | None
    note: str
    signed_by: str
    signature: list[Stroke]
    signature_is_readable: bool
    photos: list[PhotoLine]


@dataclass(frozen=True)
class LoadLine:
    """Parts of one kind to have on the van."""

    name: str
    code: str
    needed: int
    on_van: int

    @property
    def missing(self) -> int:
        """How many to take from the shelf."""
        return max(0, self.needed - self.on_van)


@dataclass(frozen=True)
class SheetOrder:
    """One order on a work sheet."""

    number: str
    kind_word: str
    serial: str
    unit_label: str
    mains_voltage: int
    readiness_word: str
    minutes: int
    why: str
    parts: list[str]
    positions: list[str]
    to_drain: str
    steps: list[StepLine]
    is_over: bool


@dataclass(frozen=True)
class SheetStop:
    """One stop on a work sheet."""

    place: int
    site: str
    address: str
    access_note: str
    contact: str
    arrives_at: datetime
    orders: list[SheetOrder]


@dataclass(frozen=True)
class WorkSheet:
    """A technician's day on paper."""

    company: str
    technician: str
    day: date
    leaves_at: datetime
    returns_at: datetime
    is_in_force: bool
    cautions: list[str]
    load: list[LoadLine]
    gauges: list[str]
    stops: list[SheetStop]


@dataclass(frozen=True)
class Label:
    """A label with a code: of a treatment unit, or of a part on the shelf."""

    address: str
    serial: str
    line: str
    company: str
    foot: str = gettext_lazy("Scan for this unit's page.")
