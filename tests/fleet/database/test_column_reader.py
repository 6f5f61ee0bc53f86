"""Columns read from the database are the same on both engines: run under SQLite and PostgreSQL."""

import math
from datetime import UTC, date, datetime, timedelta
from random import Random

import numpy as np
import pytest
from django.db import connection

from fleet.assessment.columns import read_shard
from fleet.assessment.days import to_days
from fleet.database.columns import UnitRange, days_of, days_of_date, flag_of, number_of, read_columns
from fleet.models import TreatmentUnit
from tests import factories as make
from tests.factories import NOW

pytestmark = pytest.mark.django_db
MOMENT = datetime(2026, 3, 8, 7, 59, 59, 250_000, tzinfo=UTC)
"""A night the clocks go forward in Chicago, with a fraction of a second."""


def read_one(name, expression, table="fleet_treatmentunit"):
    read = read_columns({name: expression, "id": "id"}, f"FROM {table}")
    return read[name][read["id"].argsort()]


def test_nothing_selected_is_arrays_of_no_length():
    columns = read_columns({"a": "id", "b": "design_recovery"}, "FROM fleet_treatmentunit WHERE id < 0")
    assert [(c.shape, c.dtype) for c in columns.values()] == [((0,), np.float64)] * 2


def test_empty_cells_are_nan_and_numbers_keep_every_digit():
    make.part(make.position(make.treatment_unit(), "carbon", 1), clean_drop_psi=0.1 + 0.2)
    make.part(make.position(make.treatment_unit(), "carbon", 1))
    drop = read_one("drop", "clean_drop_psi", "fleet_part")
    assert drop[0] == 0.1 + 0.2
    assert math.isnan(drop[1])


def test_dates_and_moments_are_days_since_1970_whatever_the_time_zone():
    unit = make.treatment_unit(commissioned_on=date(2000, 3, 1))
    make.treatment_unit(commissioned_on=None)
    commissioned = read_one("on", days_of_date("commissioned_on"))
    assert commissioned[0] == (date(2000, 3, 1) - date(1970, 1, 1)).days
    assert math.isnan(commissioned[1])
    make.meter(unit, installed_at=MOMENT)
    installed = read_one("at", days_of("installed_at"), "fleet_meter")
    # SQLite's unixepoch counts whole seconds; nothing here is dosed by the second.
    assert installed[0] == pytest.approx(to_days(MOMENT), abs=1 / 86400)


def test_flags_and_words_become_numbers():
    make.treatment_unit(is_out_of_service=True)
    unit = make.treatment_unit()
    assert read_one("flag", flag_of("is_out_of_service")).tolist() == [1, 0]
    make.meter(unit, water="feed")
    make.meter(unit, water="concentrate")
    words = number_of("water", {"feed": 1, "permeate": 2})
    assert read_one("water", words, "fleet_meter").tolist() == [1, -1]


def test_a_shard_of_a_whole_unit_reads_as_it_was_written():
    unit = make.whole_unit()
    make.whole_unit()
    shard = read_shard(UnitRange(unit.pk, unit.pk), to_days(NOW))
    columns = shard.columns
    assert columns.units.unit_id.tolist() == [unit.pk]
    assert columns.readings.total_gal.tolist() == list(
        unit.meters.get().readings.order_by("read_at").values_list("total_gal", flat=True)
    )
    assert columns.readings.read_at_d[-1] == to_days(NOW)
    parts = unit.parts.in_place().order_by("position__order")
    assert columns.parts.part_id.tolist() == [part.pk for part in parts]
    assert shard.part_cost.tolist() == [float(part.kind.cost) for part in parts]
    assert len(columns.performance.read_at_d) == 13
    assert columns.tests.free_chlorine_mg_l.tolist() == [1.2]
    assert columns.units.site_source_row.tolist() == [0]


def test_nothing_later_than_the_moment_asked_for_is_read():
    unit = make.whole_unit()
    shard = read_shard(UnitRange(only_ids=(unit.pk,)), to_days(NOW) - 300)
    columns = shard.columns
    assert columns.readings.read_at_d.max() <= to_days(NOW) - 300
    assert columns.performance.read_at_d.max() <= to_days(NOW) - 300
    assert len(columns.parts.part_id) == 0
    assert len(columns.tests.source_row) == 0


def test_of_an_old_day_with_many_readings_a_few_are_read_and_of_young_days_all():
    unit = make.treatment_unit()
    meter = make.meter(unit, installed_at=NOW - timedelta(days=60))
    old = (NOW - timedelta(days=40)).replace(hour=0)
    for hour in range(24):
        make.meter_reading(meter, 1000 + hour, old + timedelta(hours=hour))
        make.meter_reading(meter, 2000 + hour, NOW - timedelta(hours=24 - hour))
    read = read_shard(UnitRange(unit.pk, unit.pk), to_days(NOW)).columns.readings
    total = read.total_gal.tolist()
    assert total[:2] == [meter.readings.get(read_at=old + timedelta(hours=h)).total_gal for h in (0, 23)]
    assert len(total) == 2 + 24


def test_units_can_be_left_out_of_a_range():
    first, second = make.treatment_unit(), make.treatment_unit()
    which = UnitRange(first.pk, second.pk, except_ids=(first.pk,))
    assert read_shard(which, to_days(NOW)).columns.units.unit_id.tolist() == [second.pk]
    assert [one.pk for one in TreatmentUnit.objects.filter(which.condition("id"))] == [second.pk]


@pytest.mark.postgres
def test_a_moment_read_is_the_very_number_that_python_makes_of_it():
    """So that what was recorded at the moment of an assessment is not after it."""
    unit = make.treatment_unit()
    random = Random(3)
    moments = [MOMENT + timedelta(microseconds=random.randrange(10**15)) for _ in range(40)]
    for number, moment in enumerate(moments):
        make.meter(unit, installed_at=moment, removed_at=moment, serial=str(number))
    assert read_one("at", days_of("installed_at"), "fleet_meter").tolist() == [to_days(m) for m in moments]


@pytest.mark.postgres
def test_packed_rows_are_the_rows():
    for _ in range(3):
        make.whole_unit()
    make.treatment_unit()
    columns = {"unit": "r.treatment_unit_id", "at": days_of("r.read_at"), "flow": "r.permeate_flow_gpm",
               "drop": "r.sediment_inlet_psi", "id": "r.id"}  # fmt: skip
    rest = "FROM fleet_performancereading r"
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT {', '.join(columns.values())} {rest} ORDER BY r.id")
        plain = dict(zip(columns, np.array(cursor.fetchall(), dtype=np.float64).T.copy(), strict=True))
    for packed_by in ("r.treatment_unit_id", "r.id", "()"):
        packed = read_columns(columns, rest, packed_by=packed_by)
        order = packed["id"].argsort()
        for name, column in plain.items():
            assert packed[name][order].tobytes() == column.tobytes()
    assert len(plain["id"])
    for packed_by in ("r.id", "()"):
        none = read_columns(columns, f"{rest} WHERE r.id < 0", packed_by=packed_by)
        assert [len(column) for column in none.values()] == [0] * 5


@pytest.mark.postgres
def test_infinite_and_not_a_number_cells_arrive_as_such():
    assert connection.vendor == "postgresql"
    values = read_columns(
        {"x": "v.x"}, "FROM (VALUES (1, 'NaN'::float8), (2, 'Infinity'::float8)) AS v(id, x)"
    )["x"]
    assert math.isnan(values[0])
    assert values[1] == math.inf
