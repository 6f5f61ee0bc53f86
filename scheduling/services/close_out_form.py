"""What a technician sends: plain data, and its fingerprint to tell a repeat from a clash."""

import hashlib
import json
import uuid
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field
from datetime import date, datetime
from typing import Final

MOST_FLUSHES: Final = 8
"""More flushes than this at one visit are a slip."""


@dataclass(frozen=True)
class PartChange:
    """One position: what came out and why, what went in. Empty ``kind_code``: nothing went in."""

    position_code: str
    removal_reason: str = ""
    kind_code: str = ""
    serial: str = ""
    lot: str = ""
    made_on: date | None = None
    removed_part_id: int | None = None
    """The part the technician found, as the phone knew it; a change by somebody else meanwhile is told."""


@dataclass(frozen=True)
class FlushForm:
    """One flush. Empty ``kind``: what the work calls for. [gal], [min]"""

    volume_gal: float = 0
    minutes: float = 0
    ran_clear: bool = False
    kind: str = ""


@dataclass(frozen=True)
class CloseOutForm:
    """One order closed by one technician. The number made on the phone makes sending twice harmless."""

    client_id: uuid.UUID
    order_id: int
    technician_id: int
    outcome: str
    finished_at: datetime
    minutes: int
    steps: Sequence[dict] = ()
    """[{code, done, skipped_because}] as on the phone."""
    step_sheet_version: int | None = None
    part_changes: Sequence[PartChange] = ()
    flush: FlushForm | None = None
    further_flushes: Sequence[FlushForm] = ()
    meter_total: float | None = None
    """As the register of the permeate meter shows, in its own measure."""
    performance: dict = field(default_factory=dict)
    """By the column names of PerformanceReading, in its measures; ``saw_fines`` may be among them."""
    note: str = ""
    signed_by: str = ""
    signature: str = ""

    @property
    def flushes(self) -> list[FlushForm]:
        return [*([self.flush] if self.flush else []), *self.further_flushes]

    def fingerprint(self) -> str:
        """Return the SHA-256 of everything that was sent."""
        content = json.dumps(asdict(self), sort_keys=True, default=str)
        return hashlib.sha256(content.encode()).hexdigest()


def flush_number(client_id: uuid.UUID, number: int) -> uuid.UUID:
    """Return the number of a close-out's n-th flush, the same every time."""
    return uuid.uuid5(client_id, f"flush {number}")
