"""Registers as an assessment takes them: young days as read, older days by the readings that stand for them.

Keeps ``DayReading``: rolled up at night, forgotten from the day on that a change touches.

What stands for a day may lie in ``DayReading`` already or be chosen here from all of them; the answer is the
same. So the table may be empty, behind, or half made.

Nothing waits for it: what is not rolled up is chosen when it is read, with the same answer. So it may be made
twice, in part, beside itself or never.
"""

from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from typing import Final

import numpy as np
from django.db import connection, transaction

from fleet.assessment.days import to_days
from fleet.database.columns import UnitRange, by_then, days_of, is_postgres, number_of, read_columns
from fleet.models import ChangeMark, DayReading, MeterWater, TreatmentUnit
from fleet.readings.rows import arrays
from fleet.science import columns as science
from fleet.science.day_readings import FEW, YOUNG_DAYS, first_young_day, stands_for_its_day

WATER_NUMBERS: Final = {
    MeterWater.FEED.value: int(science.Water.FEED),
    MeterWater.PERMEATE.value: int(science.Water.PERMEATE),
    MeterWater.CONCENTRATE.value: int(science.Water.CONCENTRATE),
}
BY_MOMENT: Final = "'1970-01-02'"
"""Marks of later moments may come from readings; those of none lie on the first day of all."""
Table = dict[str, np.ndarray]
_COLUMNS: Final = ("unit_id", "water", "meter_id", "read_at_d", "total_gal", "rollover_gal")


def read_registers(which: UnitRange, unit_ids: np.ndarray, until_d: float) -> Table:
    """Return the registers' columns of a shard, in any order.

    Parameters
    ----------
    which : UnitRange
    unit_ids : array of int
        The treatment units it holds.
    until_d : float
        Nothing later than this is read. [days since 1970-01-01 UTC]
    """
    rolled = rolled_up_to(which)
    if not rolled:
        return _chosen(as_read(which, until_d))
    recent = later_than(as_read(_only(rolled), until_d, min(rolled.values())), rolled)
    unit_id = recent["unit_id"].astype(np.int64)
    young = first_young_day(unit_id, recent["read_at_d"])
    # As of an earlier moment a day that stands by a few may still be young: then everything is read.
    ready = {
        unit for unit, first in zip(unit_id.tolist(), young.tolist(), strict=True) if first >= rolled[unit]
    }
    rest = tuple(unit for unit in unit_ids.tolist() if unit not in ready)
    pieces = [_chosen(rows_of(recent, np.isin(unit_id, list(ready))))]
    if ready:
        pieces.append(_kept(_only(ready)))
    if rest:
        pieces.append(_chosen(as_read(UnitRange(only_ids=rest), until_d)))
    return {name: np.concatenate([piece[name] for piece in pieces]) for name in _COLUMNS}


def rolled_up_to(which: UnitRange) -> dict[int, int]:
    """Return the day from which on a treatment unit is not rolled up, for those that are and still hold.

    A change that is marked and not taken in yet may bear on a day that was rolled up. [days since 1970-01-01]
    """
    last = (
        "SELECT treatment_unit_id, max(read_at) AS read_at FROM fleet_dayreading "
        f"WHERE {which.where('treatment_unit_id')} GROUP BY treatment_unit_id"
    )
    columns = {"unit_id": "d.treatment_unit_id", "last_d": days_of("d.read_at")}
    rest = (
        f"FROM ({last}) d WHERE NOT EXISTS (SELECT 1 FROM fleet_changemark m "
        f"WHERE m.treatment_unit_id = d.treatment_unit_id AND m.effective_at > {BY_MOMENT} "
        f"AND {day_begins('m.effective_at')} <= d.read_at)"
    )
    table = read_columns(columns, rest)
    days = np.floor(table["last_d"]).astype(np.int64) + 1
    return dict(zip(table["unit_id"].astype(np.int64).tolist(), days.tolist(), strict=True))


def as_read(which: UnitRange, until_d: float, from_day: int | None = None, *, with_id: bool = False) -> Table:
    """Return the latest revision of every reading up to a moment, or from a day on up to it."""
    columns = register_columns() | ({"id": "r.id"} if with_id else {})
    since = "TRUE" if from_day is None else f"r.read_at >= {_literal(from_day)}"
    rest = (
        f"FROM fleet_meterreading r WHERE {which.where('r.treatment_unit_id')} AND r.is_latest "
        f"AND {since} AND {by_then('r.read_at', until_d)}"
    )
    table = read_columns(columns, rest, packed_by="r.treatment_unit_id")
    return rows_of(table, table["read_at_d"] <= until_d)


def later_than(table: Table, rolled: dict[int, int]) -> Table:
    """Leave out the days of each treatment unit that are rolled up."""
    units = np.array(sorted(rolled), dtype=np.int64)
    days = np.array([rolled[unit] for unit in units.tolist()])
    at = np.searchsorted(units, table["unit_id"].astype(np.int64))
    return rows_of(table, table["read_at_d"] >= days[at])


def day_begins(moment: str) -> str:
    """SQL for the beginning of a moment's day of UTC."""
    return f"date_trunc('day', {moment}, 'UTC')" if is_postgres() else f"date({moment})"


def _chosen(table: Table) -> Table:
    """Leave out the readings of old days that others stand for."""
    unit_id, meter_id = (table[name].astype(np.int64) for name in ("unit_id", "meter_id"))
    young = first_young_day(unit_id, table["read_at_d"])
    return rows_of(table, stands_for_its_day(meter_id, table["read_at_d"], table["total_gal"], young))


def _kept(which: UnitRange) -> Table:
    rest = f"FROM fleet_dayreading r WHERE {which.where('r.treatment_unit_id')}"
    return read_columns(register_columns(), rest, packed_by="r.treatment_unit_id")


def register_columns() -> dict[str, str]:
    """Return each column of a register as SQL over a reading ``r``."""
    return {
        "unit_id": "r.treatment_unit_id",
        "water": number_of("r.water", WATER_NUMBERS),
        "meter_id": "r.meter_id",
        "read_at_d": days_of("r.read_at"),
        "total_gal": "r.total_gal",
        "rollover_gal": "r.rollover_gal",
    }


def rows_of(table: Table, rows: np.ndarray) -> Table:
    """Return some rows of a table."""
    return {name: column[rows] for name, column in table.items()}


def _only(unit_ids: Iterable[int]) -> UnitRange:
    return UnitRange(only_ids=tuple(sorted(unit_ids)))


def _literal(day: int) -> str:
    """Return the beginning of a day of UTC as SQL."""
    written = (date(1970, 1, 1) + timedelta(days=day)).isoformat()
    return f"timestamptz '{written} 00:00+00'" if is_postgres() else f"'{written}'"


MANY_A_WEEK: Final = 7 * 2 * FEW
"""Treatment units with more readings a week than this are rolled up: it halves them at least."""
AT_ONCE: Final = 50
"""Treatment units in one transaction: half a million readings the first time, if they come hourly."""
_DAY_COLUMNS: Final = "treatment_unit_id, meter_id, water, read_at, total_gal, rollover_gal"


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
    first_day = day_begins("min(effective_at)")
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute(
                "WITH taken AS (DELETE FROM fleet_changemark "
                f"WHERE {which.where('treatment_unit_id')} AND effective_at <= %s RETURNING *), "
                f"touched AS (SELECT treatment_unit_id, {first_day} AS day "
                f"FROM taken WHERE effective_at > {BY_MOMENT} GROUP BY treatment_unit_id) "
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
            f"SELECT {day_begins('min(m.effective_at)')} FROM fleet_changemark m "
            "WHERE m.treatment_unit_id = fleet_dayreading.treatment_unit_id "
            f"AND m.effective_at > {BY_MOMENT} AND m.effective_at <= %s)",
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
    rolled = rolled_up_to(which)
    # Where a change waits to be taken in, the next night goes on.
    from_day = {unit: rolled.get(unit, 0) for unit in unit_ids if unit in rolled or unit not in begun}
    if not from_day:
        return 0
    which = UnitRange(only_ids=tuple(from_day))
    table = as_read(which, to_days(now), min(from_day.values()), with_id=True)
    table = later_than(table, from_day)
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
                f"INSERT INTO fleet_dayreading ({_DAY_COLUMNS}) "
                f"SELECT {_DAY_COLUMNS} FROM fleet_meterreading WHERE id IN ({', '.join(map(str, part))})"
            )
    return len(reading_ids)
