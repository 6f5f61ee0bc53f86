"""Readings move into monthly partitions beside traffic, and nothing that uses them notices."""

from datetime import date, timedelta

import pytest
from django.apps import apps
from django.core.management import call_command
from django.db import IntegrityError, OperationalError, connection, connections, models, transaction
from django.db.migrations.state import ProjectState

from fleet.assessment import runs
from fleet.database import partitions, stale_flags
from fleet.models import ChangeMark, MeterReading, PartState, PerformanceReading, UnitState
from shared.errors import CannotDo
from shared.migration_parts import AddIndexBesideTraffic
from tests import factories as make
from tests.factories import NOW, TODAY

MODELS = (MeterReading, PerformanceReading)


def run(sql):
    with connection.cursor() as cursor:
        cursor.execute(sql)
        return cursor.fetchall() if cursor.description else None


def rows():
    return [list(model.objects.order_by("pk").values()) for model in MODELS]


def states():
    return [list(model.objects.order_by("pk").values()) for model in (UnitState, PartState)]


def make_plain():
    """Make the tables of readings anew and empty, in one piece each, as they were before partitions."""
    for model in MODELS:
        table = model._meta.db_table
        run(f"DROP TABLE IF EXISTS {table}, {table}_new, {table}_before CASCADE")
        run(f"DROP FUNCTION IF EXISTS {table}_mirror() CASCADE")
        with connection.schema_editor() as editor:
            editor.create_model(model)
    stale_flags.put_in(connection)


def begin(told=lambda text: None):
    return [partitions.begin_in_partitions(table, TODAY, told) for table in partitions.TABLES]


@pytest.fixture
def plain_tables(transactional_db):
    """Tables in one piece for the test; after it they are in partitions again as a migrate leaves them."""
    make_plain()
    yield
    make_plain()
    begin()
    stale_flags.put_in(connection)


def move(tell=lambda text: None):
    for table in partitions.TABLES:
        partitions.partition(table, TODAY, lock_s=1, tell=tell)


@pytest.mark.postgres
@pytest.mark.django_db
def test_a_fresh_install_is_in_partitions_and_none_of_the_old_tables_is_left():
    for table in partitions.TABLES:
        assert partitions.is_partitioned(table)
        assert run(f"SELECT to_regclass('{table}_before'), to_regclass('{table}_new')") == [(None, None)]
    assert begin() == [False, False]


@pytest.mark.postgres
def test_empty_tables_become_partitions_and_a_year_back_has_months_what_is_older_one(plain_tables):
    assert begin() == [True, True]
    unit = make.whole_unit()
    meter = unit.meters.get()
    last = meter.readings.latest("read_at")
    long_ago = make.meter_reading(meter, 1, NOW - timedelta(days=3650))
    assert run("SELECT id FROM fleet_meterreading_earlier WHERE read_at < '2020-01-01'") == [(long_ago.pk,)]
    assert run(f"SELECT count(*) FROM fleet_meterreading_{last.read_at:%Y_%m} WHERE id = {last.pk}") == [(1,)]
    assert run("SELECT count(*) FROM fleet_meterreading_default") == [(0,)]
    assert ChangeMark.objects.filter(treatment_unit_id=unit.pk, effective_at=long_ago.read_at).exists()


@pytest.mark.postgres
def test_tables_with_rows_or_with_a_copy_begun_stay_and_the_way_is_told(plain_tables):
    told = []
    partitions.begin_in_partitions("fleet_performancereading", TODAY, told.append)
    make.whole_unit()
    before = rows()
    assert begin(told.append) == [False, False]
    assert not partitions.is_partitioned("fleet_meterreading")
    assert rows() == before
    assert told[0].startswith("fleet_meterreading has rows")
    assert "manage.py partition_readings" in told[0]


@pytest.mark.postgres
def test_the_rows_the_keys_and_the_constraints_are_the_same_in_partitions(plain_tables):
    unit = make.whole_unit()
    before = rows()
    runs.assess_fleet(NOW)
    assessed = states()
    move()
    assert all(partitions.is_partitioned(table) for table in partitions.TABLES)
    assert rows() == before
    (in_march,) = run("SELECT count(*) FROM fleet_meterreading_2026_03")[0]
    assert in_march == MeterReading.objects.filter(read_at__year=2026, read_at__month=3).count() > 0
    assert run("SELECT count(*) FROM fleet_meterreading_default") == [(0,)]
    runs.assess_fleet(NOW)
    assert states() == assessed

    meter = unit.meters.get()
    last = meter.readings.latest("read_at")
    fresh = make.meter_reading(meter, last.total + 20, NOW + timedelta(days=1))
    assert fresh.pk > max(row["id"] for row in before[0])
    for twin in ({"revision": 0, "is_latest": False}, {"revision": 1, "is_latest": True}):
        with pytest.raises(IntegrityError), transaction.atomic():
            make.meter_reading(meter, 5, fresh.read_at, **twin)
    with pytest.raises(IntegrityError), transaction.atomic():
        make.meter_reading(meter, -5, NOW + timedelta(days=2))
    assert ChangeMark.objects.filter(treatment_unit_id=unit.pk, effective_at=fresh.read_at).exists()
    # Long after the last partition nothing is refused, and a month made later takes its rows.
    much_later = NOW + timedelta(days=365 * 3)
    make.meter_reading(meter, last.total + 900, much_later)
    assert run("SELECT count(*) FROM fleet_meterreading_default") == [(1,)]
    assert partitions.make_next("fleet_meterreading", much_later.date()) > 0
    assert run("SELECT count(*) FROM fleet_meterreading_default") == [(0,)]
    assert MeterReading.objects.filter(read_at=much_later).count() == 1
    assert partitions.make_next("fleet_meterreading", much_later.date()) == 0


@pytest.mark.postgres
def test_what_is_written_while_rows_are_copied_arrives_and_a_run_cut_off_goes_on(plain_tables, monkeypatch):
    unit = make.whole_unit()
    meter, gauges = unit.meters.get(), unit.performance_readings.latest("read_at")
    monkeypatch.setattr(partitions, "BATCH_IDS", 10)

    class PowerCut(Exception):
        pass

    def work_amid(text):
        if "copied" in text and not MeterReading.objects.filter(source="office").exists():
            make.meter_reading(meter, 1_000_000, NOW + timedelta(days=1), source="office")
            MeterReading.objects.filter(meter=meter).order_by("read_at").first().delete()
            MeterReading.objects.filter(read_at=NOW).update(total_gal=7)
            raise PowerCut

    with pytest.raises(PowerCut):
        move(work_amid)
    assert not partitions.is_partitioned("fleet_meterreading")
    PerformanceReading.objects.filter(pk=gauges.pk).update(feed_temperature_c=3)
    before = rows()
    move()
    assert rows() == before
    assert MeterReading.objects.get(read_at=NOW).total_gal == 7
    move()
    assert rows() == before


@pytest.mark.postgres
def test_a_table_held_by_traffic_stays_as_it_is_and_the_copy_is_kept(plain_tables):
    make.whole_unit()
    before = rows()
    other = connections.create_connection("default")
    try:

        def hold_at_the_end(text):
            if "copied" in text:
                other.set_autocommit(False)
                with other.cursor() as cursor:
                    cursor.execute("SELECT 1 FROM fleet_meterreading LIMIT 1")

        with pytest.raises(OperationalError, match="lock timeout"):
            move(hold_at_the_end)
    finally:
        other.rollback()
        other.close()
    assert not partitions.is_partitioned("fleet_meterreading")
    assert rows() == before
    move()
    assert rows() == before


@pytest.mark.postgres
def test_a_later_migration_can_still_add_an_index_and_take_it_away(plain_tables):
    make.whole_unit()
    move()
    index = models.Index(fields=["recorded_at"], name="fleet_meterreading_for_the_test")
    step = AddIndexBesideTraffic("meterreading", index)
    before = ProjectState.from_apps(apps)
    after = before.clone()
    step.state_forwards("fleet", after)
    there = "SELECT count(*) FROM pg_class WHERE relname = 'fleet_meterreading_for_the_test'"
    with connection.schema_editor(atomic=False) as editor:
        step.database_forwards("fleet", editor, before, after)
        assert run(there) == [(1,)]
        step.database_backwards("fleet", editor, after, before)
        assert run(there) == [(0,)]


@pytest.mark.postgres
def test_a_copy_that_is_not_the_same_is_refused(plain_tables):
    make.whole_unit()

    def spoil(text):
        if "copied" in text:
            run("UPDATE fleet_meterreading_new SET total_gal = total_gal + 1 WHERE id % 7 = 0")

    with pytest.raises(CannotDo, match="nothing was changed"):
        move(spoil)
    assert not partitions.is_partitioned("fleet_meterreading")


@pytest.mark.sqlite
@pytest.mark.django_db
def test_sqlite_keeps_one_table_and_says_so():
    assert partitions.make_next("fleet_meterreading", date(2026, 1, 1)) == 0
    with pytest.raises(Exception, match="one piece"):
        call_command("partition_readings")
