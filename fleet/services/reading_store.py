"""What the recording services share: chunks of ids, sameness of values, storing revisions."""

import math
from collections.abc import Iterable

from fleet.queries.column_reader import is_postgres
from fleet.services.reading_rows import RecordReport

CHUNK = 400
"""Ids per query: SQLite takes about a thousand."""
MANY = 20_000
"""Ids per query where they go as one array."""
BATCH = 2000
ANOTHER_VALUE = "Another value is recorded for this moment already"
AS_CORRECTION = "Readings are not overwritten: record it as a correction."
_TOLERANCE = 1e-9


def store(model: type, rows: list, replaced: list[int], report: RecordReport) -> None:
    """Add rows; those they replace are no longer the latest."""
    for part in chunks(replaced):
        model.objects.filter(pk__in=part).update(is_latest=False)
    model.objects.bulk_create(rows, batch_size=BATCH)
    report.corrected = len(replaced)
    report.recorded = len(rows) - len(replaced)
    report.unit_ids = {row.treatment_unit_id for row in rows}


def same(one: float | None, other: float | None) -> bool:
    """Say whether two values are the same, both missing included."""
    if one is None or other is None:
        return one is other
    return math.isclose(one, other, rel_tol=_TOLERANCE, abs_tol=_TOLERANCE)


def chunks(items: Iterable) -> Iterable[list]:
    """Cut ids into pieces that one query can name."""
    return _pieces(items, CHUNK)


def arrays(items: Iterable) -> Iterable[list]:
    """Cut ids into pieces for ``any_of``: long ones where the database takes arrays."""
    return _pieces(items, MANY if is_postgres() else CHUNK)


def _pieces(items: Iterable, size: int) -> Iterable[list]:
    listed = list(items)
    for start in range(0, len(listed), size):
        yield listed[start : start + size]
