"""Workers killed at any moment, a task delivered five times, a broker that comes back empty."""

import random

import pytest

from fleet.models import AssessmentRun, AssessmentShard, Finding, ReadinessChange, ShardState
from fleet.services import assessment
from tests import servers
from tests.factories import NOW
from tests.faults.fleet_at_risk import (
    done_count,
    forget_everything,
    kill,
    let_claims_run_out,
    send_shards,
    small_fleet,
    start_worker,
    wait_until,
    what_is_known,
)

pytestmark = [
    pytest.mark.postgres,
    pytest.mark.redis,
    pytest.mark.slow,
    pytest.mark.django_db(transaction=True),
]
KILLS = 10
SEED = 7


@pytest.fixture
def undisturbed():
    """What a run without any trouble comes to; the database is as before."""
    small_fleet(60)
    assessment.assess_fleet(NOW, shard_size=3)
    known = what_is_known()
    assert len(known["findings"]) > 60
    forget_everything()
    AssessmentRun.objects.all().delete()
    ReadinessChange.objects.all().delete()
    return known


@pytest.fixture
def workers():
    """Started workers; whatever is left is killed."""
    started = []
    yield started
    for worker in started:
        kill(worker)


def start_run():
    run = assessment.start_run(NOW, shard_size=3)
    return run.pk, list(run.shards.values_list("id", flat=True))


def is_finished(run_id):
    return AssessmentRun.objects.filter(pk=run_id, finished_at__isnull=False).exists()


def assert_each_once(run_id, undisturbed):
    assert what_is_known() == undisturbed
    keys = list(Finding.objects.values_list("cause_key", flat=True))
    assert len(keys) == len(set(keys))
    assert ReadinessChange.objects.count() == 60
    run = AssessmentRun.objects.get(pk=run_id)
    assert (run.counts["units"], run.counts["found"]) == (60, len(keys))


def test_ten_killed_workers_leave_the_same_findings_as_a_quiet_night(undisturbed, redis_url, workers):
    run_id, shard_ids = start_run()
    rng = random.Random(SEED)
    workers += [start_worker(redis_url), start_worker(redis_url)]
    for number in range(KILLS):
        # What a lost worker held is handed out again, as take_up_lost_shards does on its timetable.
        send_shards(redis_url, shard_ids if number == 0 else assessment.waiting_shards(NOW))
        begun = AssessmentShard.objects.filter(run_id=run_id)
        seen = sum(begun.values_list("attempts", flat=True))
        is_over = all(state == ShardState.DONE for state in begun.values_list("state", flat=True))
        if not is_over:
            wait_until(
                lambda seen=seen, begun=begun: sum(begun.values_list("attempts", flat=True)) > seen,
                "a worker claims a shard",
            )
        victim = workers.pop(rng.randrange(2))
        kill(victim)
        let_claims_run_out(run_id)
        workers.append(start_worker(redis_url))
    let_claims_run_out(run_id)
    send_shards(redis_url, assessment.waiting_shards(NOW))
    wait_until(lambda: is_finished(run_id), "the run is finished")
    assert_each_once(run_id, undisturbed)


def test_a_task_delivered_five_times_is_done_once(undisturbed, redis_url, workers):
    run_id, shard_ids = start_run()
    send_shards(redis_url, shard_ids, times=5)
    workers += [start_worker(redis_url), start_worker(redis_url)]
    wait_until(lambda: is_finished(run_id), "the run is finished")
    assert set(AssessmentShard.objects.values_list("attempts", flat=True)) == {1}
    assert_each_once(run_id, undisturbed)


def test_a_broker_that_comes_back_empty_loses_no_shard(undisturbed, workers):
    broker, port = servers.start_redis()
    url = f"redis://127.0.0.1:{port}/0"
    run_id, shard_ids = start_run()
    workers.append(start_worker(url))
    send_shards(url, shard_ids[:5])
    wait_until(lambda: done_count(run_id) == 5, "five shards are done")
    send_shards(url, shard_ids[5:])
    broker.kill()
    broker.wait(10)
    broker, _port = servers.start_redis(port)
    let_claims_run_out(run_id)
    assert not is_finished(run_id) or done_count(run_id) == len(shard_ids)
    send_shards(url, assessment.waiting_shards(NOW))
    wait_until(lambda: is_finished(run_id), "the run is finished")
    assert_each_once(run_id, undisturbed)
    kill(workers.pop())
    broker.kill()
    broker.wait(10)
