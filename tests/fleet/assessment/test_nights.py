"""What is assessed because it is stale, and every night, is what a rebuild says, whatever happened."""

from datetime import timedelta
from random import Random

import pytest
from django.db import connection, transaction

from fleet.assessment import runs, stale_flags
from fleet.models import FeedTest, Finding, Part, PartState, PerformanceReading, StaleFlag, UnitState
from fleet.register.parts import replace
from tests import factories as make
from tests.factories import NOW

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


def rows_of(unit_ids):
    """The states of these treatment units, every column."""
    return [
        list(model.objects.filter(treatment_unit_id__in=unit_ids).order_by("pk").values())
        for model in (UnitState, PartState)
    ]


def causes():
    return set(Finding.objects.filter(gone_at__isnull=True).values_list("cause_key", flat=True))


def night(moment):
    return runs.assess_fleet(moment, shard_size=3)


def assess_stale(moment):
    return runs.assess_stale(moment, shard_size=2)


def read(unit, at, random):
    meter = unit.meters.get()
    last = meter.readings.order_by("-read_at").first()
    if last.read_at >= at:
        return
    days = (at - last.read_at) / DAY
    make.meter_reading(meter, last.total + random.uniform(0, 60) * days, at)


def flush(unit, at, random):
    part = random.choice(list(unit.parts.in_place()))
    make.flush(part, flushed_at=at, ran_clear=random.random() < 0.8)


def change(unit, at, random):
    old = random.choice(list(unit.parts.in_place()))
    if old.installed_at < at:
        replace(old, kind=old.kind, at=at, reason="worn")


def look(unit, at, random):
    flow, saw_fines = random.uniform(0.2, 0.6), random.random() < 0.1
    make.performance_reading(unit, at, permeate_flow_gpm=flow, saw_fines=saw_fines)


def sample(unit, at, random):
    make.feed_test(site=unit.site, sampled_at=at, free_chlorine_mg_l=random.uniform(0.1, 3))


def edit(unit, at, random):
    unit.design_use_gal_per_day = random.uniform(5, 80)
    unit.is_out_of_service = random.random() < 0.2
    unit.out_of_service_reason = "for the test" if unit.is_out_of_service else ""
    unit.save()


def rate(unit, at, random):
    kind = unit.parts.in_place().exclude(kind__rated_gal=None).first().kind
    kind.rated_gal = random.uniform(1000, 40_000)
    kind.save()


EVENTS = (read, read, read, flush, change, look, sample, edit, rate)


@pytest.mark.parametrize("seed", range(4))
def test_minute_after_minute_is_the_full_rebuild(seed):
    random = Random(seed)
    units = [make.whole_unit() for _ in range(5)]
    moment = NOW
    for _ in range(14):
        moment += DAY * random.choice([1, 1, 1, 2, 6, 15])
        if random.random() < 0.3:
            night(moment - timedelta(hours=22))
        for _ in range(random.randrange(4)):
            at = moment - timedelta(hours=random.uniform(0.1, 20))
            random.choice(EVENTS)(random.choice(units), at, random)
        assess_stale(moment)
        assert not StaleFlag.objects.exists()
        kept = rows_of([unit.pk for unit in units])
        for as_of in set(UnitState.objects.values_list("assessed_at", flat=True)):
            ids = list(UnitState.objects.filter(assessed_at=as_of).values_list("pk", flat=True))
            was = rows_of(ids)
            UnitState.objects.filter(pk__in=ids).update(worst_wear=77, numbers={})
            PartState.objects.filter(treatment_unit_id__in=ids).delete()
            with transaction.atomic():
                runs.assess_units(ids, as_of)
                assert rows_of(ids) == was, f"as of {as_of}"
        assert rows_of([unit.pk for unit in units]) == kept


def test_a_night_assesses_everything_and_again_finds_and_ends_nothing():
    units = [make.whole_unit() for _ in range(5)]
    first = night(NOW)
    assert first.counts["units"] == 5
    assert first.counts["found"] > 0
    was, causes_then = rows_of([unit.pk for unit in units]), causes()
    again = night(NOW)
    assert (again.counts["units"], again.counts["found"], again.counts["gone"]) == (5, 0, 0)
    assert rows_of([unit.pk for unit in units]) == was
    assert causes() == causes_then


def test_where_nothing_was_recorded_nothing_is_stale():
    make.whole_unit()
    assert assess_stale(NOW).units == 1
    assert assess_stale(NOW + timedelta(minutes=1)).units == 0
    assert UnitState.objects.get().assessed_at == NOW


@pytest.mark.parametrize("event", sorted(set(EVENTS), key=lambda e: e.__name__), ids=lambda e: e.__name__)
def test_whatever_an_assessment_reads_marks_its_treatment_unit_and_no_other(event):
    unit, other = make.whole_unit(), make.whole_unit()
    night(NOW)
    assert not StaleFlag.objects.exists()
    event(unit, NOW + timedelta(hours=1), Random(1))
    assert set(StaleFlag.objects.values_list("treatment_unit_id", flat=True)) == {unit.pk}
    later = NOW + timedelta(hours=2)
    assert assess_stale(later).units == 1
    assert not StaleFlag.objects.exists()
    assert UnitState.objects.get(pk=unit.pk).assessed_at == later
    assert UnitState.objects.get(pk=other.pk).assessed_at == NOW


def test_a_test_of_a_supply_marks_all_it_feeds_and_a_reading_taken_away_marks_its_unit():
    supply = make.supply()
    fed = [make.treatment_unit(site=make.site(supply=supply)) for _ in range(2)]
    make.treatment_unit()
    reading = make.performance_reading(fed[0], NOW - DAY)
    night(NOW)
    make.feed_test(supply=supply, site=None, sampled_at=NOW)
    assert set(StaleFlag.objects.values_list("treatment_unit_id", flat=True)) == {u.pk for u in fed}
    assert FeedTest.objects.count() == 1
    night(NOW + DAY)
    PerformanceReading.objects.filter(pk=reading.pk).delete()
    assert StaleFlag.objects.get().treatment_unit_id == fed[0].pk


def test_what_takes_effect_later_is_taken_in_later():
    """A late shard is of its run's moment; what is recorded after that is for the next."""
    unit = make.whole_unit()
    run = runs.start_run(NOW)
    read(unit, NOW + timedelta(minutes=20), Random(1))
    (shard_id,) = run.shards.values_list("id", flat=True)
    assert runs.assess_claimed(shard_id, NOW + timedelta(minutes=30))
    assert UnitState.objects.get().last_read_at == NOW
    assert StaleFlag.objects.count() == 1
    assess_stale(NOW + timedelta(minutes=19))
    assert UnitState.objects.get().last_read_at == NOW
    assess_stale(NOW + timedelta(minutes=31))
    assert UnitState.objects.get().last_read_at == NOW + timedelta(minutes=20)


def test_a_mark_taken_in_by_an_assessment_that_failed_is_still_there(monkeypatch):
    unit = make.whole_unit()
    night(NOW)
    read(unit, NOW + DAY, Random(1))

    def fail(*args):
        assert not StaleFlag.objects.exists()
        raise RuntimeError("the power went")

    monkeypatch.setattr(runs, "read_shard", fail)
    with pytest.raises(RuntimeError):
        night(NOW + DAY)
    assert StaleFlag.objects.count() == 1


@pytest.mark.postgres
def test_many_readings_written_at_once_mark_each_treatment_unit_by_first_and_last():
    units = [make.treatment_unit() for _ in range(3)]
    readings = [PerformanceReading(treatment_unit=unit, read_at=NOW - week * 7 * DAY, source="api",
                                   recorded_at=NOW) for unit in units for week in range(52)]  # fmt: skip
    StaleFlag.objects.all().delete()
    PerformanceReading.objects.bulk_create(readings)
    assert StaleFlag.objects.count() == 2 * len(units)
    assert set(StaleFlag.objects.values_list("effective_at", flat=True)) == {NOW, NOW - 51 * 7 * DAY}


def test_triggers_that_are_missing_are_made_those_not_asked_for_dropped_and_no_others(monkeypatch):
    assert stale_flags.sync_triggers(connection) == (0, 0)
    on = " ON fleet_part" if connection.vendor == "postgresql" else ""
    with connection.cursor() as cursor:
        cursor.execute(f"DROP TRIGGER fleet_part_marks_insert{on}")
    assert stale_flags.sync_triggers(connection) == (1, 0)
    position = make.position(make.treatment_unit(), "carbon", 1)
    StaleFlag.objects.all().delete()
    make.part(position)
    assert StaleFlag.objects.exists()
    assert Part.objects.count() == 1
    fewer = [flagged for flagged in stale_flags.FLAGGED if flagged.table != "fleet_part"]
    monkeypatch.setattr(stale_flags, "FLAGGED", fewer)
    assert stale_flags.sync_triggers(connection) == (0, 3)
    StaleFlag.objects.all().delete()
    Part.objects.all().delete()
    assert not StaleFlag.objects.exists()
    monkeypatch.undo()
    assert stale_flags.sync_triggers(connection) == (3, 0)


def test_a_night_begun_by_a_clock_that_ran_ahead_does_not_cost_the_true_one():
    tomorrow = NOW + timedelta(days=1)
    assert runs.start_night(tomorrow, tomorrow.date(), 10) is not None
    assert runs.start_night(tomorrow - timedelta(minutes=1), tomorrow.date(), 10) is None
    assert runs.start_night(NOW, NOW.date(), 10) is not None
    true_one = runs.start_night(tomorrow - timedelta(hours=1), tomorrow.date(), 10)
    assert true_one is not None
    assert runs.start_night(tomorrow, tomorrow.date(), 10) is None
