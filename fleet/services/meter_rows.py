"""Meter readings in and out of their table by the thousand: columns, COPY on PostgreSQL, else the ORM."""

from collections.abc import Iterable, Sequence
from dataclasses import fields
from datetime import UTC, datetime, timedelta
from typing import Final, NamedTuple

import numpy as np
from django.db import connection
from django.db.models import OuterRef, Q, Subquery

from fleet.models import Meter, MeterReading, ReadingSource
from fleet.queries.column_reader import is_postgres
from fleet.services.binary_copy import copy_columns, microseconds, moments
from fleet.services.bulk_rows import WORTH_COPYING
from fleet.services.meter_columns import MeterColumns
from fleet.services.reading_store import BATCH, arrays

Key = tuple[int, datetime]
"""A meter's id and the moment it was read."""
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_COLUMNS = ("meter_id", "read_at", "pk", "total", "total_gal", "revision")


class Standing(NamedTuple):
    """The latest total of one meter and moment."""

    pk: int
    total: float
    total_gal: float
    revision: int


def standing_at(keys: Iterable[Key]) -> dict[Key, Standing]:
    """Return what stands at exactly these meters and moments."""
    listed = list(keys)
    if not listed:
        return {}
    if not is_postgres():
        return _standing_from(_firsts(listed))
    meter_ids, read_at = zip(*listed, strict=True)
    since_1970_us = microseconds(read_at).tolist()
    with connection.cursor() as cursor:
        # One look-up in the index per pair; the parent table, so that partitions are its own affair.
        cursor.execute(
            "SELECT r.meter_id, r.read_at, r.id, r.total, r.total_gal, r.revision "
            "FROM unnest(%s::bigint[], %s::bigint[]) AS asked (meter_id, us) "
            "JOIN fleet_meterreading r ON r.meter_id = asked.meter_id AND r.is_latest "
            "AND r.read_at = timestamptz 'epoch' + asked.us * interval '1 microsecond'",
            [_array(meter_ids), _array(since_1970_us)],
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
    rows: MeterColumns, replaced: Sequence[int], *, source: ReadingSource, now: datetime
) -> None:
    """Add rows; those they replace, by id, are no longer the latest."""
    for part in arrays(replaced):
        MeterReading.objects.filter(pk__any_of=part).update(is_latest=False)
    if is_postgres() and len(rows.meter_id) >= WORTH_COPYING:
        _copy(rows, source, now)
        return
    named = {column.name: getattr(rows, column.name).tolist() for column in fields(rows)}
    named["read_at"] = [_EPOCH + timedelta(microseconds=us) for us in named.pop("read_at_us")]
    MeterReading.objects.bulk_create(
        (
            MeterReading(**dict(zip(named, values, strict=True)), source=source, recorded_at=now)
            for values in zip(*named.values(), strict=True)
        ),
        batch_size=BATCH,
    )


def _copy(rows: MeterColumns, source: ReadingSource, now: datetime) -> None:
    """Write in the order of the table's keys, so that its indexes are walked once."""
    recorded_at = moments(microseconds([now]))
    order = np.lexsort((rows.read_at_us, rows.meter_id))
    groups = []
    for water in np.unique(rows.water).tolist():
        of_it = rows.rows(order[rows.water[order] == water])
        groups.append(
            {
                "treatment_unit_id": of_it.treatment_unit_id,
                "meter_id": of_it.meter_id,
                "water": water.encode(),
                "read_at": moments(of_it.read_at_us),
                "total": of_it.total,
                "total_gal": of_it.total_gal,
                "rollover_gal": of_it.rollover_gal,
                "revision": of_it.revision,
                "is_latest": np.True_,
                "source": source.value.encode(),
                "recorded_at": recorded_at,
            }
        )
    copy_columns("fleet_meterreading", groups)


def _array(numbers: Iterable[int]) -> str:
    """Return an array of whole numbers as PostgreSQL writes it."""
    return f"{{{','.join(map(str, numbers))}}}"


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
