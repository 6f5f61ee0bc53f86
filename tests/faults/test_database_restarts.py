"""PostgreSQL crashes amid a night, a close-out and readings coming in, and comes back."""

import threading
import time
from datetime import timedelta

import pytest
from django.db import DatabaseError, InterfaceError, connections
from django.test import Client
from django.utils import timezone

from fleet.assessment import runs
from fleet.models import AssessmentRun, MeterReading, Part, ReadinessChange, ReadingSource
from fleet.readings.meter_readings import record_meter_readings
from fleet.readings.rows import NewMeterReading
from scheduling.models import CloseOut, WorkOrder
from scheduling.operations.backup_databases import Postgres
from scheduling.orders.raising import raise_work
from scheduling.orders.steps import ensure_step_sheets
from scheduling.visits import close_out
from tests import factories as make
from tests import servers
from tests.elsewhere import pointed_at
from tests.faults.close_out_process import form_of
from tests.faults.fleet_at_risk import (
    done_count,
    forget_everything,
    kill,
    let_claims_run_out,
    open_causes,
    send_shards,
    small_fleet,
    start_worker,
    wait_until,
    what_is_known,
    what_the_page_says,
)
from tests.faults.test_close_out_killed import start_close_out

pytestmark = [
    pytest.mark.postgres, pytest.mark.redis, pytest.mark.slow, pytest.mark.django_db(transaction=True),
]  # fmt: skip
CLIENT_ID = "6a9f1f5e-3b1c-4f43-9d2e-0d3c58b0a001"
CRASHES = 3


@pytest.fixture
def server(tmp_path):
    """A server with what the tests' database holds, that keeps what it has said yes to."""
    own = servers.OwnPostgres(["-c", "synchronous_commit=on"])
    dump = tmp_path / "database.dump"
    connections["default"].close()
    settings = connections["default"].settings_dict
    Postgres(settings).copy_to(dump)
    given = {"HOST": "127.0.0.1", "PORT": str(own.port), "USER": "tapward", "PASSWORD": "", "NAME": "tapward"}
    with pointed_at(**given):
        Postgres(settings).load(dump, "--no-privileges")
        yield own
    own.crash()


@pytest.fixture
def undisturbed():
    """What a quiet night comes to; with a technician, an order to close out and a meter that is read."""
    small_fleet(30)
    runs.assess_fleet(make.NOW, shard_size=2)
    known = what_is_known()
    raise_work(now=timezone.now())
    known["causes"] = open_causes()
    forget_everything()
    AssessmentRun.objects.all().delete()
    ReadinessChange.objects.all().delete()
    ensure_step_sheets(make.NOW)
    return known


class Reader(threading.Thread):
    """Records one reading after the other and holds on to each until the database has said yes."""

    def __init__(self, meter_id: int):
        super().__init__()
        self.meter_id, self.halt, self.kept = meter_id, threading.Event(), []

    def run(self):
        number = 0
        while not self.halt.is_set():
            number += 1
            at = make.NOW - timedelta(days=30) + timedelta(minutes=number)
            self._record(NewMeterReading(self.meter_id, at, 1000.0 + number))
        connections.close_all()

    def _record(self, reading):
        while True:
            try:
                report = record_meter_readings([reading], source=ReadingSource.PHONE, now=make.NOW)
            except (DatabaseError, InterfaceError):
                connections["default"].close()
                time.sleep(0.1)
                continue
            assert not report.problems
            self.kept.append(reading.read_at)
            return


def test_a_database_that_crashes_three_times_loses_nothing_it_said_yes_to(undisturbed, server, redis_url):
    run = runs.start_run(make.NOW, shard_size=2)
    shard_ids = list(run.shards.values_list("id", flat=True))
    other = make.treatment_unit()
    old = make.part(make.position(other, "carbon", 1), installed_at=make.NOW - timedelta(days=100))
    technician, order = make.technician(), make.work_order(other, part=old)
    reader = Reader(make.meter(other).pk)
    reader.start()
    workers = [start_worker(redis_url), start_worker(redis_url)]
    send_shards(redis_url, shard_ids)
    for crash in range(CRASHES):
        closing = start_close_out(order, technician, CLIENT_ID)
        assert "not committed" in closing.stdout.readline()
        wait_until(lambda crash=crash: done_count(run.pk) >= min(3 * crash + 1, 14), "some shards are done")
        seen = len(reader.kept)
        server.crash()
        if crash == 0:
            answer = Client().get("/readyz")
            assert answer.status_code == 503
            assert "database does not answer" in answer.json()["checks"]["database"]
            assert Client().get("/healthz").status_code == 200
        connections["default"].close()
        server.start()
        wait_until(database_answers, "the database answers again")
        closing.kill()
        closing.wait(10)
        closing.stdout.close()
        wait_until(lambda seen=seen: len(reader.kept) > seen + 3, "readings come in again")
        let_claims_run_out(run.pk)
        send_shards(redis_url, runs.waiting_shards(make.NOW))
    let_claims_run_out(run.pk)
    send_shards(redis_url, runs.waiting_shards(make.NOW))
    wait_until(lambda: taken_up(redis_url, run.pk), "the run is finished")
    reader.halt.set()
    reader.join(60)
    for worker in workers:
        kill(worker)

    found = what_is_known()
    assert found == {key: undisturbed[key] for key in found}
    recorded = list(MeterReading.objects.filter(meter_id=reader.meter_id).values_list("read_at", flat=True))
    assert sorted(recorded) == reader.kept
    assert not CloseOut.objects.exists()
    assert Part.objects.in_place().get(treatment_unit=other).pk == old.pk
    form = form_of(order.pk, technician.pk, CLIENT_ID, make.NOW)
    close_out.close_out(form, by=None, now=make.NOW)
    close_out.close_out(form, by=None, now=make.NOW)
    assert CloseOut.objects.count() == 1
    raise_work(now=timezone.now())
    raise_work(now=timezone.now())
    of_fleet = WorkOrder.objects.open().exclude(treatment_unit=other)
    assert sorted(of_fleet.values_list("cause_key", flat=True)) == undisturbed["causes"]
    # A crash between two shards cuts none off; then the page must not say so.
    begun_again = run.shards.filter(attempts__gt=1).exists()
    assert ("killed or cut off from the database" in what_the_page_says()) == begun_again


def database_answers() -> bool:
    try:
        return AssessmentRun.objects.exists()
    except (DatabaseError, InterfaceError):
        connections["default"].close()
        return False


def taken_up(redis_url, run_id) -> bool:
    """Say whether a run is finished; if not, do what the timetable's next minute does."""
    runs.finish_runs_left_open(make.NOW)
    if AssessmentRun.objects.filter(pk=run_id, finished_at__isnull=False).exists():
        return True
    time.sleep(0.5)
    let_claims_run_out(run_id)
    send_shards(redis_url, runs.waiting_shards(make.NOW))
    return False
