"""How fast readings come in by the bulk call, beside a bare COPY of the same rows into the same table."""

import io
import json
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from statistics import median
from typing import Final

from django.db import connection, transaction
from rest_framework.renderers import JSONRenderer

from api import idempotency
from api.bulk_lines import take_body
from api.bulk_readings import record
from fleet.models import Meter, MeterReading, Person
from shared.errors import DomainError
from tests.benchmarks.synthetic_fleet import load_synthetic_fleet, vacuum

METERS: Final = 10_000
_COPY: Final = (
    "COPY fleet_meterreading (treatment_unit_id, meter_id, water, read_at, total, total_gal, rollover_gal, "
    "revision, is_latest, source, recorded_at) FROM STDIN"
)


@dataclass(frozen=True)
class IntakeFigures:
    """What was measured. Rates are of medians of wall time. [rows/s]"""

    rows: int
    meters: int
    json_rows_per_second: float
    csv_rows_per_second: float
    copy_rows_per_second: float
    """Bare COPY of the same rows into the same table in one transaction, to its end."""
    indexes: int
    """Indexes of that table, kept up by the calls and by the COPY alike."""
    constraints: int
    """Its constraints, checked for both alike: keys of other tables, known values, ranges."""
    json_over_copy: float
    csv_over_copy: float
    peak_mib: float
    """Memory the largest call took on top of what the process held before. [MiB]"""
    peak_mib_tenth: float
    """The same for a tenth of the rows: flat memory is when the two are alike. [MiB]"""


def measure_intake(
    rows: int, *, now: datetime, repeats: int = 3, tell: Callable[[str], None] | None = None
) -> IntakeFigures:
    """Bring rows into the connected, empty database by the bulk call and by COPY, in turn.

    Every call keeps its Idempotency-Key and answers each row. Raises DomainError where a row is refused.
    """
    tell = tell or (lambda _text: None)
    load_synthetic_fleet(min(METERS, rows), 4, seed=1)
    meters = list(Meter.objects.order_by("pk").select_related("treatment_unit"))
    person = Person.objects.create_user("benchmark", role="integrator")
    at = now - timedelta(days=1)
    tables = _Bodies(meters, rows, at)
    tenth = _peak_of(lambda: _call(person, tables.lines[: _nth(tables.lines, rows // 10)], "json", now))
    _forget(at)
    spent: dict[str, list[float]] = {"copy": [], "json": [], "csv": []}
    peak = 0.0
    for turn in range(repeats):
        work = {
            "copy": lambda: _bare_copy(tables.copied),
            "json": lambda turn=turn: _call(person, tables.lines, "json", now),
            "csv": lambda turn=turn: _call(person, tables.csv, "csv", now),
        }
        for name, one in work.items():
            vacuum()
            began = time.perf_counter()
            grown = _peak_of(one)
            spent[name].append(time.perf_counter() - began)
            peak = max(peak, grown if name != "copy" else 0.0)
            tell(f"{name}: {rows / spent[name][-1]:,.0f} rows/s")
            _forget(at)
    rate = {name: rows / median(seconds) for name, seconds in spent.items()}
    return IntakeFigures(
        rows=rows,
        meters=len(meters),
        json_rows_per_second=rate["json"],
        csv_rows_per_second=rate["csv"],
        copy_rows_per_second=rate["copy"],
        indexes=_counted("SELECT count(*) FROM pg_index WHERE indrelid = 'fleet_meterreading'::regclass"),
        constraints=_counted(
            "SELECT count(*) FROM pg_constraint WHERE conrelid = 'fleet_meterreading'::regclass"
        ),
        json_over_copy=rate["json"] / rate["copy"],
        csv_over_copy=rate["csv"] / rate["copy"],
        peak_mib=peak,
        peak_mib_tenth=tenth,
    )


class _Bodies:
    """The same rows as JSON lines, as CSV and as COPY's text."""

    def __init__(self, meters: list[Meter], rows: int, at: datetime) -> None:
        lines, csv, copied = [], ["treatment_unit_serial,water,read_at,total_as_shown"], []
        for i in range(rows):
            meter = meters[i % len(meters)]
            read_at = (at + timedelta(minutes=i // len(meters))).isoformat()
            total = 100_000 + i // len(meters) + 0.5
            serial = meter.treatment_unit.serial
            named = {"meter_id": meter.pk} if i % 2 else {"treatment_unit_serial": serial}
            lines.append(json.dumps(named | {"read_at": read_at, "total_as_shown": total}))
            csv.append(f"{serial},{meter.water},{read_at},{total}")
            copied.append(
                f"{meter.treatment_unit_id}\t{meter.pk}\t{meter.water}\t{read_at}\t{total}\t{total}\t"
                f"{10**meter.digits}\t0\tt\tapi\t{read_at}"
            )
        self.lines, self.csv = ("\n".join(text).encode() + b"\n" for text in (lines, csv))
        self.copied = "\n".join(copied).encode() + b"\n"


def _call(person: Person, sent: bytes, kind: str, now: datetime) -> None:
    media_type = {"json": "application/x-ndjson", "csv": "text/csv"}[kind]
    body = take_body(io.BytesIO(sent), media_type)
    kept = idempotency.acquire(person, f"{kind}-{time.monotonic_ns()}", body.body_hash, now)
    tally = record(body, Meter.objects.all(), now)
    body.close()
    answer = tally.as_answer()
    idempotency.store(kept, status=200, body=JSONRenderer().render(answer), now=now)
    if answer["recorded"] != answer["rows"]:
        raise DomainError(
            f"Rows were refused: {answer['problems'][:1]}", remedy="Measure in an empty database."
        )


@transaction.atomic
def _bare_copy(copied: bytes) -> None:
    with connection.cursor() as cursor, cursor.copy(_COPY) as copy:
        copy.write(copied)


def _counted(query: str) -> int:
    with connection.cursor() as cursor:
        cursor.execute(query)
        return cursor.fetchone()[0]


def _forget(at: datetime) -> None:
    MeterReading.objects.filter(read_at__gte=at).delete()


def _nth(text: bytes, lines: int) -> int:
    """Return where a number of lines ends."""
    place = 0
    for _ in range(lines):
        place = text.index(b"\n", place) + 1
    return place


def _peak_of(work: Callable[[], None]) -> float:
    """Return how much the memory held by this process grew at most while it worked. [MiB]"""
    # The kernel forgets its high-water mark when 5 is written here; where it can't, the mark stays.
    with suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5")
    before = _status_mib("VmRSS")
    work()
    return max(_status_mib("VmHWM") - before, 0.0)


def _status_mib(name: str) -> float:
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith(f"{name}:"):
            return int(line.split()[1]) / 1024
    return 0.0
