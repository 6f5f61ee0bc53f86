"""Two assessments of the same treatment units at the same moment, on PostgreSQL."""

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest
from django.db import connection

from fleet.assessment import runs
from fleet.models import Finding, PartState, ReadinessChange, UnitState
from tests import factories as make
from tests.factories import NOW

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]


def at_once(*calls):
    """Run calls in threads that start together; return their answers, or raise what one raised."""
    gate = threading.Barrier(len(calls))

    def run(call):
        gate.wait(10)
        try:
            return call()
        finally:
            connection.close()

    with ThreadPoolExecutor(len(calls)) as pool:
        return list(pool.map(run, calls))


@pytest.fixture
def unit():
    return make.whole_unit()


def causes_once():
    keys = list(Finding.objects.filter(gone_at__isnull=True).values_list("cause_key", flat=True))
    assert len(keys) == len(set(keys)) > 0
    return set(keys)


def test_two_workers_given_one_shard_do_it_once(unit):
    run = runs.start_run(NOW)
    (shard_id,) = run.shards.values_list("id", flat=True)
    done = at_once(*[lambda: runs.assess_claimed(shard_id, NOW)] * 2)
    assert sorted(done) == [False, True]
    causes_once()
    assert ReadinessChange.objects.count() == 1


def test_two_assessments_of_one_unit_that_was_never_assessed_write_one_set_of_rows(unit):
    counts = at_once(*[lambda: runs.assess_units([unit.pk], NOW)] * 4)
    keys = causes_once()
    assert sorted(count.found for count in counts) == [0, 0, 0, len(keys)]
    assert ReadinessChange.objects.count() == 1
    assert UnitState.objects.count() == 1
    assert PartState.objects.count() == 4


def test_assessments_of_overlapping_units_in_other_order_do_not_lock_each_other_out():
    ids = [make.whole_unit().pk for _ in range(4)]
    at_once(
        lambda: runs.assess_units(ids, NOW),
        lambda: runs.assess_units(ids[::-1], NOW),
        lambda: runs.assess_fleet(NOW, shard_size=2),
    )
    causes_once()
    assert ReadinessChange.objects.count() == 4
    assert UnitState.objects.count() == 4
