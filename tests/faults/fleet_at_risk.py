"""A small fleet, real workers and a broker that may die."""

import contextlib
import html
import os
import signal
import subprocess
import sys
import time
import uuid
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import redis
from celery import Celery
from django.db import connection
from django.test import Client
from django.urls import reverse

from fleet.models import AssessmentShard, Finding, PartState, Person, ShardState, UnitState
from scheduling.models import WorkOrder
from tests import factories as make
from tests import servers

ROOT = Path(__file__).resolve().parents[2]
LONG_AGO = datetime(2000, 1, 1, tzinfo=UTC)
PATIENCE_SECONDS = 180
"""For a busy machine; a quiet one needs seconds."""


def small_fleet(units: int) -> None:
    """Treatment units of one site, with a worn part, a meter and readings each."""
    site = make.site()
    make.feed_test(site=site)
    carbon = make.part_kind(**make.CARBON)
    for number in range(units):
        unit = make.treatment_unit(site=site)
        make.part(make.position(unit, "carbon", 1), carbon,
                  installed_at=make.NOW - timedelta(days=100 + 5 * number))  # fmt: skip
        make.weekly_readings(make.meter(unit), weeks=4, gal_per_day=10 + number % 7)


def database_url() -> str:
    """The address of the tests' own database, for other processes."""
    of = connection.settings_dict
    login = of["USER"] + (f":{of['PASSWORD']}" if of["PASSWORD"] else "")
    return f"postgres://{login}@{of['HOST']}:{of['PORT']}/{of['NAME']}"


def start_worker(redis_url: str, **env: str) -> subprocess.Popen:
    """Start a Celery worker of one process, in a group of its own so that it can be killed whole."""
    return start_celery(
        redis_url, "shared.config",
        ["worker", "--pool=solo", "--without-gossip", "--without-mingle", "--without-heartbeat"], **env,
    )  # fmt: skip


def start_pool(redis_url: str, processes: int, **env: str) -> subprocess.Popen:
    """Start a Celery worker with child processes, as in real life."""
    return start_celery(
        redis_url, "shared.config",
        ["worker", "--pool=prefork", f"--concurrency={processes}", "--without-gossip", "--without-mingle",
         "--without-heartbeat"], **env,
    )  # fmt: skip


def children_of(worker: subprocess.Popen) -> list[int]:
    """Return the process ids of a worker's children."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError, IndexError, ValueError):
            fields = stat.read_text().rsplit(")", 1)[1].split()
            if int(fields[1]) == worker.pid and fields[0] != "Z":
                found.append(int(stat.parent.name))
    return sorted(found)


def start_celery(redis_url: str, app: str, arguments: list[str], **env: str) -> subprocess.Popen:
    """Start one of the queue's programs on the tests' database, in a group of its own."""
    env = {
        **os.environ,
        "DATABASE_URL": database_url(),
        "REDIS_URL": redis_url,
        "DJANGO_SETTINGS_MODULE": "shared.config.settings",
        "TAPWARD_SECRET_KEY": "only-for-tests-" + "x" * 50,
        **env,
    }
    return subprocess.Popen(
        [sys.executable, "-m", "celery", "-A", app, *arguments, "--loglevel=ERROR"],
        cwd=ROOT,
        env=env,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
        preexec_fn=servers.die_with_parent,
    )  # fmt: skip


def kill(worker: subprocess.Popen) -> None:
    """Kill a worker as the kernel does when memory runs out: no farewell."""
    if worker.poll() is None:
        os.killpg(worker.pid, signal.SIGKILL)
    worker.wait(10)


def sender(redis_url: str) -> Celery:
    """A client of the queue."""
    client = Celery("tests", set_as_current=False, broker=redis_url)
    client.conf.update(task_ignore_result=True, broker_connection_timeout=5)
    return client


def send_shards(redis_url: str, shard_ids: list[int], times: int = 1) -> None:
    """Hand shards out, each as often as told: the very same message."""
    with sender(redis_url) as client:
        named = [(shard_id, str(uuid.uuid4())) for shard_id in shard_ids]
        for shard_id, task_id in named * times:
            client.send_task("fleet.tasks.assess_shard", kwargs={"shard_id": shard_id}, task_id=task_id)


def queued(redis_url: str) -> int:
    """Return how many tasks nobody has taken yet."""
    with redis.Redis.from_url(redis_url) as client:
        return client.llen("celery")


def send_tasks(redis_url: str, name: str, times: int) -> None:
    """Call a task of the timetable, as often as told."""
    with sender(redis_url) as client:
        for _ in range(times):
            client.send_task(name)


def wait_until(holds: Callable[[], bool], what: str) -> None:
    """Wait for a condition. Raises AssertionError when it does not come about."""
    deadline = time.monotonic() + PATIENCE_SECONDS
    while not holds():
        assert time.monotonic() < deadline, f"waited {PATIENCE_SECONDS} s in vain until {what}"
        time.sleep(0.02)


def done_count(run_id: int) -> int:
    """How many shards of a run are done."""
    return AssessmentShard.objects.filter(run_id=run_id, state=ShardState.DONE).count()


def let_claims_run_out(run_id: int) -> None:
    """Act as if the time a claim lasts had passed."""
    AssessmentShard.objects.filter(run_id=run_id, state=ShardState.CLAIMED).update(claimed_at=LONG_AGO)


def what_is_known() -> dict[str, list]:
    """Everything an assessment wrote, without row ids."""
    return {
        "findings": sorted(
            Finding.objects.filter(gone_at__isnull=True).values_list(
                "cause_key", "strength", "early_on", "likely_on", "late_on", "why", "found_at"
            )
        ),
        "parts": sorted((state.part_id, state.wear, str(state.numbers)) for state in PartState.objects.all()),
        "units": sorted(UnitState.objects.values_list("treatment_unit_id", "readiness", "worst_wear")),
    }


def open_causes() -> list[str]:
    """Return the cause of every standing order, as often as it has one."""
    return sorted(WorkOrder.objects.open().values_list("cause_key", flat=True))


def what_the_page_says() -> str:
    """Return the operations page as a planner sees it."""
    client = Client()
    client.force_login(Person.objects.filter(role="planner").first() or make.person("planner"))
    answer = client.get(reverse("operations"))
    assert answer.status_code == 200
    return html.unescape(answer.content.decode())


def forget_everything() -> None:
    """Take away what assessments wrote."""
    for model in (WorkOrder, Finding, PartState, UnitState):
        model.objects.all().delete()
