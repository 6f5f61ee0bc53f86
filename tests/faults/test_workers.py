"""Workers killed a hundred times, a task delivered five times, two timetables, a broker that forgets."""

import contextlib
import os
import random
import signal
import time

import pytest
from django.db import connection
from django.test import Client, override_settings
from django.utils import timezone

from fleet.assessment import runs
from fleet.models import AssessmentRun, AssessmentShard, Finding, ReadinessChange, ShardState, TaskRun
from scheduling.models import WorkOrder
from scheduling.operations.backup_databases import Postgres
from scheduling.orders.raising import raise_work
from tests import servers
from tests.factories import NOW
from tests.faults.fleet_at_risk import (
    LONG_AGO,
    children_of,
    done_count,
    forget_everything,
    kill,
    let_claims_run_out,
    open_causes,
    queued,
    send_shards,
    send_tasks,
    small_fleet,
    start_celery,
    start_pool,
    start_worker,
    wait_until,
    what_is_known,
    what_the_page_says,
)

pytestmark = [
    pytest.mark.postgres,
    pytest.mark.redis,
    pytest.mark.slow,
    pytest.mark.django_db(transaction=True),
]
KILLS = int(os.environ.get("TAPWARD_FAULT_KILLS", "100"))
"""More of them by the environment, for a long night."""
WHOLE_EVERY = 50
"""Every so often a whole worker dies, else one of its processes."""
SEED = 7


@pytest.fixture
def undisturbed():
    """What a run without any trouble comes to; the database is as before."""
    small_fleet(60)
    runs.assess_fleet(NOW, shard_size=3)
    known = what_is_known()
    assert len(known["findings"]) > 60
    raise_work(now=timezone.now())
    known["causes"] = open_causes()
    assert len(known["causes"]) > 30
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
    run = runs.start_run(NOW, shard_size=3)
    return run.pk, list(run.shards.values_list("id", flat=True))


def is_finished(run_id):
    return AssessmentRun.objects.filter(pk=run_id, finished_at__isnull=False).exists()


def assert_same_night(undisturbed):
    assert what_is_known() == {key: undisturbed[key] for key in ("findings", "parts", "units")}
    keys = list(Finding.objects.values_list("cause_key", flat=True))
    assert len(keys) == len(set(keys))
    assert ReadinessChange.objects.count() == 60


def assert_each_once(run_id, undisturbed):
    assert_same_night(undisturbed)
    keys = list(Finding.objects.values_list("cause_key", flat=True))
    run = AssessmentRun.objects.get(pk=run_id)
    assert (run.counts["units"], run.counts["found"]) == (60, len(keys))


def test_a_hundred_kills_leave_the_same_findings_and_orders_as_a_quiet_night(undisturbed, redis_url, workers):
    run_id, shard_ids = start_run()
    rng = random.Random(SEED)
    workers += [start_pool(redis_url, 4), start_pool(redis_url, 4)]
    send_shards(redis_url, shard_ids)
    for number in range(KILLS):
        wait_until(lambda: is_at_work(redis_url, run_id), "a worker has a shard")
        time.sleep(rng.uniform(0, 0.1))
        if number % WHOLE_EVERY == WHOLE_EVERY - 1:
            kill(workers.pop(rng.randrange(2)))
            workers.append(start_pool(redis_url, 4))
        else:
            kill_one_child(workers, rng)
        let_claims_run_out(run_id)
        if number % 10 == 0:
            send_tasks(redis_url, "scheduling.tasks.raise_work", 1)
    let_claims_run_out(run_id)
    send_tasks(redis_url, "fleet.tasks.take_up_lost_shards", 1)
    wait_until(lambda: taken_up(redis_url, run_id), "the run is finished")
    send_tasks(redis_url, "scheduling.tasks.raise_work", 1)
    wait_until(lambda: open_causes() == undisturbed["causes"], "the work is raised")
    assert_same_night(undisturbed)
    assert "of the newest assessment had to be begun again" in what_the_page_says()


def is_at_work(redis_url, run_id):
    """Say whether a shard is being assessed; if none is, go on with the night as its timetable does."""
    shards = AssessmentShard.objects.filter(run_id=run_id)
    if shards.filter(state=ShardState.CLAIMED, claimed_at__gt=LONG_AGO).exists():
        return True
    if is_finished(run_id):
        # The night goes on: the same shards again, as if none was done yet.
        shards.update(state=ShardState.WAITING)
        AssessmentRun.objects.filter(pk=run_id).update(finished_at=None)
    if queued(redis_url) < len(shards):
        send_tasks(redis_url, "fleet.tasks.take_up_lost_shards", 1)
    return False


def kill_one_child(workers, rng):
    """Kill a child of a worker, found anew each time: its parent starts others."""
    wait_until(lambda: any(children_of(worker) for worker in workers), "a worker has children")
    children = [pid for worker in workers for pid in children_of(worker)]
    with contextlib.suppress(ProcessLookupError):
        os.kill(rng.choice(children), signal.SIGKILL)


def taken_up(redis_url, run_id):
    """Say whether a run is finished; if not, call the timetable's next minute."""
    if is_finished(run_id):
        return True
    time.sleep(0.5)
    let_claims_run_out(run_id)
    send_tasks(redis_url, "fleet.tasks.take_up_lost_shards", 1)
    return False


def test_a_task_delivered_five_times_is_done_once(undisturbed, redis_url, workers):
    run_id, shard_ids = start_run()
    send_shards(redis_url, shard_ids, times=5)
    workers += [start_worker(redis_url), start_worker(redis_url)]
    wait_until(lambda: is_finished(run_id), "the run is finished")
    assert set(AssessmentShard.objects.values_list("attempts", flat=True)) == {1}
    assert_each_once(run_id, undisturbed)
    send_tasks(redis_url, "scheduling.tasks.raise_work", 5)
    raised = TaskRun.objects.filter(name="scheduling.tasks.raise_work", outcome="done")
    wait_until(lambda: raised.count() == 5, "work was raised five times")
    assert open_causes() == undisturbed["causes"]
    assert WorkOrder.objects.count() == len(undisturbed["causes"])
    assert f"{len(shard_ids)} tasks of the last day were handed out more than once" in what_the_page_says()


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
    send_shards(url, runs.waiting_shards(NOW))
    wait_until(lambda: is_finished(run_id), "the run is finished")
    assert_each_once(run_id, undisturbed)
    kill(workers.pop())
    broker.kill()
    broker.wait(10)
    with override_settings(REDIS_URL=url):
        assert "The queue does not answer" in what_the_page_says()
        answer = Client().get("/readyz")
    assert answer.status_code == 503
    assert "queue does not answer" in answer.json()["checks"]["queue"]


def test_two_timetables_begin_one_night_and_raise_each_order_once(redis_url, workers, tmp_path):
    small_fleet(60)
    runs.assess_fleet(timezone.now(), shard_size=3)
    quiet = [finding[0] for finding in what_is_known()["findings"]]
    forget_everything()
    AssessmentRun.objects.all().delete()
    for number in (1, 2):
        file = tmp_path / f"beat{number}"
        workers.append(
            start_celery(redis_url, "tests.faults.quick_beat", ["beat", f"--schedule={file}", "--pidfile="],
                         TAPWARD_SHARD_SIZE="3")
        )  # fmt: skip
    workers += [start_worker(redis_url, TAPWARD_SHARD_SIZE="3"), start_worker(redis_url)]
    called = TaskRun.objects.filter(name="fleet.tasks.assess_fleet", outcome="done")
    wait_until(lambda: called.count() >= 4, "the night was called for four times")
    wait_until(lambda: AssessmentRun.objects.filter(finished_at__isnull=False).exists(), "the night is over")
    raised = TaskRun.objects.filter(name="scheduling.tasks.raise_work", outcome="done")
    seen = raised.count()
    wait_until(lambda: raised.count() >= seen + 4, "work was raised four times after")
    for worker in workers:
        kill(worker)
    assert AssessmentRun.objects.count() == 1
    causes = open_causes()
    assert len(causes) == len(set(causes))
    keys = list(Finding.objects.filter(gone_at__isnull=True).values_list("cause_key", flat=True))
    assert sorted(keys) == quiet
    assert set(causes) == set(quiet) & set(causes)
    assert len(causes) > 30
    assert "The timetable called for the night" in what_the_page_says()


def test_a_task_handed_out_again_while_it_still_runs_is_done_once(undisturbed, workers):
    broker, port = servers.start_redis()
    url = f"redis://127.0.0.1:{port}/0"
    run_id, shard_ids = start_run()
    first = AssessmentShard.objects.get(pk=shard_ids[0])
    with Postgres(connection.settings_dict).connect() as other:
        # Somebody holds a treatment unit of the shard, so its assessment takes longer than the queue waits.
        other.execute("BEGIN")
        other.execute("SELECT id FROM fleet_treatmentunit WHERE id = %s FOR UPDATE", [first.first_unit_id])
        workers.append(start_worker(url, TAPWARD_VISIBILITY_SECONDS="1"))
        send_shards(url, [first.pk])
        runs = TaskRun.objects.filter(name="fleet.tasks.assess_shard")
        wait_until(lambda: runs.filter(outcome="running").exists(), "the first worker has it")
        time.sleep(1.5)
        workers.append(start_worker(url, TAPWARD_VISIBILITY_SECONDS="1"))
        wait_until(lambda: runs.filter(outcome="done").exists(), "the second was handed it too and left it")
        assert runs.values("task_id").distinct().count() == 1
        assert AssessmentShard.objects.get(pk=first.pk).state == ShardState.CLAIMED
        other.execute("COMMIT")
    send_shards(url, shard_ids[1:])
    wait_until(lambda: is_finished(run_id), "the run is finished")
    assert set(AssessmentShard.objects.values_list("attempts", flat=True)) == {1}
    assert_each_once(run_id, undisturbed)
    assert "1 task of the last day was handed out more than once" in what_the_page_says()
    for worker in workers:
        kill(worker)
    broker.kill()
    broker.wait(10)
