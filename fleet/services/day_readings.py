"""Keeps ``DayReading``: rolled up at night, forgotten from the day on that a change touches.

Nothing waits for it: what is not rolled up is chosen when it is read, with the same answer. So it may be made
twice, in part, beside itself or never.
"""

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final

import numpy as np
from django.db import connection, transaction

from fleet.models import ChangeMark, DayReading, TreatmentUnit
from fleet.queries import day_readings
from fleet.queries.unit_range import UnitRange
from fleet.science.day_readings import FEW, YOUNG_DAYS, first_young_day, stands_for_its_day
from fleet.services.days import to_days
from fleet.services.reading_store import arrays

MANY_A_WEEK: Final = 7 * 2 * FEW
"""Treatment units with more readings a week than this are rolled up: it halves them at least."""
AT_ONCE: Final = 50
"""Treatment units in one transaction: half a million readings the first time, if they come hourly."""
_COLUMNS: Final = "treatment_unit_id, meter_id, water, read_at, total_gal, rollover_gal"


def roll_up_fleet(now: datetime, shard_size: int) -> int:
    """Roll up the old days of all treatment units that report often; how many readings now stand for days."""
    ids = list(TreatmentUnit.objects.order_by("id").values_list("id", flat=True))
    starts = range(0, len(ids), shard_size)
    ranges = (UnitRange(ids[i], ids[min(i + shard_size, len(ids)) - 1]) for i in starts)
    return sum(roll_up(which, now) for which in ranges)


def roll_up(which: UnitRange, now: datetime) -> int:
    """Roll up the old days of these treatment units as of ``now``; how many readings were added."""
    often = _reporting_often(which, now)
    return sum(_roll_up(often[i : i + AT_ONCE], now) for i in range(0, len(often), AT_ONCE))


def forget_days_marked(which: UnitRange, now: datetime) -> None:
    """Delete the marks up to ``now`` and all rolled-up days from the first day on that they name.

    Both as one: a mark that comes meanwhile stays, and its days are forgotten with it.
    """
    first_day = day_readings.day_begins("min(effective_at)")
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute(
                "WITH taken AS (DELETE FROM fleet_changemark "
                f"WHERE {which.where('treatment_unit_id')} AND effective_at <= %s RETURNING *), "
                f"touched AS (SELECT treatment_unit_id, {first_day} AS day "
                f"FROM taken WHERE effective_at > {day_readings.BY_MOMENT} GROUP BY treatment_unit_id) "
                "DELETE FROM fleet_dayreading d USING touched t "
                "WHERE d.treatment_unit_id = t.treatment_unit_id AND d.read_at >= t.day",
                [now],
            )
        return
    marks = ChangeMark.objects.filter(which.condition("treatment_unit_id"), effective_at__lte=now)
    with connection.cursor() as cursor:
        # Its first write keeps others from marking until the transaction ends.
        cursor.execute(
            f"DELETE FROM fleet_dayreading WHERE {which.where('treatment_unit_id')} AND read_at >= ("
            f"SELECT {day_readings.day_begins('min(m.effective_at)')} FROM fleet_changemark m "
            "WHERE m.treatment_unit_id = fleet_dayreading.treatment_unit_id "
            f"AND m.effective_at > {day_readings.BY_MOMENT} AND m.effective_at <= %s)",
            [now],
        )
    marks.delete()


def _reporting_often(which: UnitRange, now: datetime) -> list[int]:
    """Return those with many readings in the week that has just become old."""
    until = now - timedelta(days=YOUNG_DAYS)
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT treatment_unit_id FROM fleet_meterreading "
            f"WHERE {which.where('treatment_unit_id')} AND is_latest AND read_at > %s AND read_at <= %s "
            "GROUP BY treatment_unit_id HAVING count(*) > %s ORDER BY treatment_unit_id",
            [until - timedelta(days=7), until, MANY_A_WEEK],
        )
        return [unit_id for (unit_id,) in cursor.fetchall()]


@transaction.atomic
def _roll_up(unit_ids: Sequence[int], now: datetime) -> int:
    which = UnitRange(only_ids=tuple(unit_ids))
    # An assessment takes in marks under the same lock: what is read below is marked no longer, or still.
    units = TreatmentUnit.objects.filter(which.condition("id")).order_by("id")
    list(units.select_for_update(no_key=True).values_list("id", flat=True))
    begun = set(
        DayReading.objects.filter(treatment_unit_id__in=unit_ids).values_list("treatment_unit_id", flat=True)
    )
    rolled = day_readings.rolled_up_to(which)
    # Where a change waits to be taken in, the next night goes on.
    from_day = {unit: rolled.get(unit, 0) for unit in unit_ids if unit in rolled or unit not in begun}
    if not from_day:
        return 0
    which = UnitRange(only_ids=tuple(from_day))
    table = day_readings.as_read(which, to_days(now), min(from_day.values()), with_id=True)
    table = day_readings.later_than(table, from_day)
    unit_id, meter_id = (table[name].astype(np.int64) for name in ("unit_id", "meter_id"))
    young = first_young_day(unit_id, table["read_at_d"])
    stands = stands_for_its_day(meter_id, table["read_at_d"], table["total_gal"], young)
    chosen = stands & (table["read_at_d"] < young)
    return _write(table["id"][chosen].astype(np.int64).tolist())


def _write(reading_ids: list[int]) -> int:
    """Copy these readings within the database, so that they are the same to the last bit."""
    with connection.cursor() as cursor:
        for part in arrays(reading_ids):
            cursor.execute(
                f"INSERT INTO fleet_dayreading ({_COLUMNS}) SELECT {_COLUMNS} FROM fleet_meterreading "
                f"WHERE id IN ({', '.join(map(str, part))})"
            )
    return len(reading_ids)
