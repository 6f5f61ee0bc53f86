"""Meter readings in and out of their table by the thousand: tuples, COPY on PostgreSQL, the ORM elsewhere."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import NamedTuple

from django.db import connection
from django.db.models import OuterRef, Q, Subquery

from fleet.models import Meter, MeterReading, ReadingSource
from fleet.queries.column_reader import is_postgres
from fleet.services.bulk_rows import WORTH_COPYING
from fleet.services.reading_store import BATCH, arrays

Key = tuple[int, datetime]
"""A meter's id and the moment it was read."""
_COLUMNS = ("meter_id", "read_at", "pk", "total", "total_gal", "revision")


class Standing(NamedTuple):
    """The latest total of one meter and moment."""

    pk: int
    total: float
    total_gal: float
    revision: int


class MeterRow(NamedTuple):
    """One row to be written."""

    treatment_unit_id: int
    meter_id: int
    water: str
    read_at: datetime
    total: float
    total_gal: float
    rollover_gal: float
    revision: int


def standing_at(keys: Iterable[Key]) -> dict[Key, Standing]:
    """Return what stands at exactly these meters and moments."""
    listed = list(keys)
    if not listed:
        return {}
    if not is_postgres():
        return _standing_from(_firsts(listed))
    meter_ids, moments = zip(*listed, strict=True)
    with connection.cursor() as cursor:
        # One look-up in the index per pair; the parent table, so that partitions are its own affair.
        cursor.execute(
            "SELECT r.meter_id, r.read_at, r.id, r.total, r.total_gal, r.revision "
            "FROM unnest(%s::bigint[], %s::timestamptz[]) AS asked (meter_id, read_at) "
            "JOIN fleet_meterreading r ON r.meter_id = asked.meter_id AND r.read_at = asked.read_at "
            "AND r.is_latest",
            [_array(map(str, meter_ids)), _array(map(datetime.isoformat, moments))],
        )
        return {(row[0], row[1]): Standing(*row[2:]) for row in cursor.fetchall()}


def standing_around(keys: Iterable[Key]) -> dict[Key, Standing]:
    """Return the latest totals of the meters from the first moment on, and the one before it."""
    firsts = _firsts(keys)
    found = _standing_from(firsts)
    for part in arrays(firsts):
        first = min(firsts[meter_id] for meter_id in part)
        before = MeterReading.objects.filter(meter=OuterRef("pk"), is_latest=True, read_at__lt=first)
        last = Meter.objects.filter(pk__any_of=part).values_list(
            Subquery(before.order_by("-read_at").values("pk")[:1]), flat=True
        )
        found |= _standing(Q(pk__any_of=[pk for pk in last if pk is not None]))
    return found


def write_meter_rows(
    rows: Sequence[MeterRow], replaced: Sequence[int], *, source: ReadingSource, now: datetime
) -> None:
    """Add rows; those they replace, by id, are no longer the latest."""
    for part in arrays(replaced):
        MeterReading.objects.filter(pk__any_of=part).update(is_latest=False)
    if is_postgres() and len(rows) >= WORTH_COPYING:
        _copy(rows, source, now)
        return
    MeterReading.objects.bulk_create(
        (MeterReading(**row._asdict(), source=source, recorded_at=now) for row in rows), batch_size=BATCH
    )


def _copy(rows: Sequence[MeterRow], source: ReadingSource, now: datetime) -> None:
    """Write COPY's text ourselves: numbers, moments and words from our own lists need no quoting."""
    end = f"\tt\t{source.value}\t{now.isoformat()}\n"
    shown = datetime.isoformat
    text = "".join(
        [
            f"{unit_id}\t{meter_id}\t{water}\t{shown(at)}\t{total}\t{gal}\t{end_gal}\t{revision}{end}"
            for unit_id, meter_id, water, at, total, gal, end_gal, revision in rows
        ]
    )
    statement = (
        f"COPY fleet_meterreading ({', '.join(MeterRow._fields)}, is_latest, source, recorded_at) FROM STDIN"
    )
    with connection.cursor() as cursor, cursor.copy(statement) as copy:
        copy.write(text.encode())


def _array(words: Iterable[str]) -> str:
    """Return an array as PostgreSQL writes it; numbers and moments need no quoting."""
    return f"{{{','.join(words)}}}"


def _firsts(keys: Iterable[Key]) -> dict[int, datetime]:
    firsts: dict[int, datetime] = {}
    for meter_id, at in keys:
        if at < firsts.setdefault(meter_id, at):
            firsts[meter_id] = at
    return firsts


def _standing_from(firsts: dict[int, datetime]) -> dict[Key, Standing]:
    found = {}
    for part in arrays(firsts):
        first = min(firsts[meter_id] for meter_id in part)
        found |= _standing(Q(meter__pk__any_of=part, read_at__gte=first))
    return found


def _standing(which: Q) -> dict[Key, Standing]:
    rows = MeterReading.objects.filter(which, is_latest=True).values_list(*_COLUMNS)
    return {(row[0], row[1]): Standing(*row[2:]) for row in rows.iterator()}
