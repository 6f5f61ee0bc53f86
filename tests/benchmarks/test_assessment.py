"""The benchmark's fleet is whole however it is cut for loading, and what is left out is said to be."""

from datetime import timedelta

import pytest
from django.db import connection
from django.db.models import Count

from fleet.models import Meter, MeterReading, Part, PerformanceReading, Position, TreatmentUnit, WaterSupply
from tests.benchmarks import synthetic_fleet
from tests.benchmarks.assessment import measure_assessment

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]


def test_a_fleet_loaded_in_pieces_is_whole_and_read_as_often_as_asked(monkeypatch):
    monkeypatch.setattr(synthetic_fleet, "UNITS_AT_ONCE", 100)
    told = []
    synthetic_fleet.load_synthetic_fleet(230, 12, seed=3, every_days=30, tell=told.append)
    assert list(TreatmentUnit.objects.order_by("id").values_list("id", flat=True)) == list(range(1, 231))
    assert told[-1] == "230 of 230 treatment units loaded"
    assert len(told) == 3
    for of_each, model in ((4, Part), (4, Position), (1, Meter), (12, MeterReading), (7, PerformanceReading)):
        counts = model.objects.values("treatment_unit").annotate(rows=Count("pk"))
        assert {one["rows"] for one in counts} == {of_each}, model
        assert len(counts) == 230
    assert WaterSupply.objects.annotate(rows=Count("site")).filter(rows__lte=50).count() == 5
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM fleet_part p JOIN fleet_position o ON o.id = p.position_id "
                       "WHERE o.treatment_unit_id <> p.treatment_unit_id")  # fmt: skip
        assert cursor.fetchone() == (0,)
        cursor.execute("SELECT max(read_at) - min(read_at) FROM fleet_meterreading WHERE meter_id = 201")
        (span,) = cursor.fetchone()
    assert timedelta(days=11 * 30 * 5 / 7) < span < timedelta(days=11 * 30 * 9 / 7)


def test_what_is_left_out_is_none_and_the_rest_is_measured():
    found = measure_assessment(60, 12, every_days=30, parts=("rebuild", "copy"), repeats=1)
    assert found.readings == 720
    assert found.rebuild_s > 0
    assert found.rebuild_over_bare_copy == pytest.approx(found.rebuild_s / found.bare_copy_s)
    assert found.stale_all_s is None
    assert found.two_workers_gain is None
    assert sum(found.stage_share.values()) == pytest.approx(1)
