"""What machines that watch are told: alive, ready, numbers; and what the operations page says."""

from datetime import timedelta

import pytest
import redis
from django.core.management import call_command
from django.db import InterfaceError, OperationalError, connection
from django.test import override_settings
from django.urls import reverse
from django.utils import timezone
from prometheus_client.parser import text_string_to_metric_families

from fleet.models import AssessmentRun, AssessmentShard, TaskRun
from fleet.runs import task_runs, worker_heartbeat
from scheduling.operations.timetable import DUTIES
from scheduling.operations.watching import QueueState, standstill
from shared.config.celery import app
from tests import factories as make
from tests.servers import free_port


def told(client, **headers) -> dict[str, float]:
    answer = client.get("/metrics", headers=headers)
    assert answer.status_code == 200
    families = text_string_to_metric_families(answer.content.decode())
    return {one.name: one.value for family in families for one in family.samples}


def test_alive_is_said_without_asking_the_database(client):
    assert client.get("/healthz").json() == {"alive": True}


@pytest.mark.django_db
def test_ready_when_all_is_in_order(client):
    answer = client.get("/readyz")
    assert answer.status_code == 200, answer.json()
    assert set(answer.json()["checks"].values()) == {"in order"}


@pytest.mark.django_db
def test_not_ready_when_work_waits_too_long_and_says_so(client):
    run = AssessmentRun.objects.create(
        started_at=timezone.now() - timedelta(minutes=61), as_of=timezone.now()
    )
    AssessmentShard.objects.create(run=run, first_unit_id=1, last_unit_id=2)
    answer = client.get("/readyz")
    assert answer.status_code == 503
    assert "Start a worker" in answer.json()["checks"]["waiting_work"]


@pytest.mark.django_db
def test_not_ready_when_a_migration_is_missing(client):
    with connection.cursor() as cursor:
        cursor.execute("DELETE FROM django_migrations WHERE app = 'fleet' AND name LIKE '%%task_runs%%'")
    answer = client.get("/readyz")
    assert answer.status_code == 503
    assert "manage.py migrate" in answer.json()["checks"]["migrations"]


@pytest.mark.django_db
def test_not_ready_when_the_queue_is_gone_and_the_answer_keeps_its_address_secret(client):
    with override_settings(REDIS_URL=f"redis://:hidden-word@127.0.0.1:{free_port()}/0"):
        answer = client.get("/readyz")
        page = _page(client)
    assert answer.status_code == 503
    assert answer.json()["checks"]["queue"].startswith("The queue does not answer")
    assert "hidden-word" not in answer.content.decode()
    assert "The queue does not answer" in page


def test_not_ready_without_a_database(client, monkeypatch):
    def fail(*args, **kwargs):
        raise OperationalError("connection to postgres://tapward:hidden-word@db failed")

    monkeypatch.setattr("api.health.MigrationRecorder.applied_migrations", fail)
    monkeypatch.setattr("api.health.connection", None)
    answer = client.get("/readyz")
    assert answer.status_code == 503
    assert answer.json()["checks"]["database"].startswith("The database does not answer")
    assert "hidden-word" not in answer.content.decode()


@pytest.mark.django_db
def test_numbers_are_those_of_the_fleet(client):
    unit = make.treatment_unit()
    make.work_order(unit, window_from=make.TODAY - timedelta(days=900),
                    window_to=timezone.localdate() - timedelta(days=1))  # fmt: skip
    found = told(client)
    assert found["tapward_treatment_units"] == 1
    assert found["tapward_units_never_assessed"] == 1
    assert found["tapward_orders_past_window"] == 1
    assert "tapward_last_backup_age_seconds" not in found


@pytest.mark.django_db
def test_numbers_are_for_this_machine_or_for_the_token(client):
    assert client.get("/metrics", REMOTE_ADDR="203.0.113.9").status_code == 403
    assert client.get("/metrics", headers={"X-Forwarded-For": "203.0.113.9"}).status_code == 403
    with override_settings(METRICS_TOKEN="a-word"):
        assert client.get("/metrics").status_code == 403
        assert client.get("/metrics", headers={"Authorization": "Bearer b"}).status_code == 403
        assert told(client, Authorization="Bearer a-word")


@pytest.mark.django_db
def test_numbers_take_as_many_queries_for_many_units_as_for_one(client, django_assert_num_queries):
    make.treatment_unit()
    with django_assert_num_queries(17):
        told(client)
    for _ in range(5):
        make.treatment_unit()
    with django_assert_num_queries(17):
        told(client)


def _page(client) -> str:
    client.force_login(make.person("planner"))
    answer = client.get(reverse("operations"))
    assert answer.status_code == 200
    return answer.content.decode()


@pytest.mark.django_db
def test_the_page_says_what_failed_and_what_to_do(client):
    now = timezone.now()
    name = "scheduling.tasks.raise_work"
    failed = task_runs.begin(name=name, task_id="t-1", request_id="", now=now)
    task_runs.end(failed, now=now, error=OSError(28, "No space left on device"))
    task_runs.begin(
        name="fleet.tasks.assess_shard", task_id="t-2", request_id="", now=now - timedelta(hours=3)
    )
    page = _page(client)
    assert "Raise work from findings and plans" in page
    assert "The disk was full, nothing was written" in page
    assert "1 task of the last day did not finish" in page
    assert "Task t-2" in page


@pytest.mark.django_db
def test_every_row_of_the_timetable_is_named_on_the_page():
    app.loader.import_default_modules()
    assert {entry["task"] for entry in app.conf.beat_schedule.values()} <= {duty.task for duty in DUTIES}
    assert {duty.task for duty in DUTIES} - {"back_up", "nightly"} <= set(app.tasks)


@pytest.mark.django_db
def test_the_night_of_a_machine_without_workers_is_written_down(client):
    call_command("nightly", "--json")
    assert TaskRun.objects.get(name="nightly").outcome == "done"
    assert "The whole night in one go" in _page(client)


@pytest.mark.django_db
def test_old_records_are_forgotten_but_the_newest_good_one_of_each_task():
    now = timezone.now()
    for days in (40, 30, 1):
        pk = task_runs.begin(name="a", task_id="t", request_id="", now=now - timedelta(days=days))
        task_runs.end(pk, now=now)
    old = task_runs.begin(name="back_up", task_id="t", request_id="", now=now - timedelta(days=60))
    task_runs.end(old, now=now)
    assert task_runs.tidy(now) == 2
    assert set(TaskRun.objects.values_list("name", flat=True)) == {"a", "back_up"}


@pytest.mark.parametrize(
    ("given", "seconds", "words"),
    [
        ({"workers": 2}, 30, ""),
        ({"workers": 2}, 95, "timetable stands still, or the database takes nothing more"),
        ({"workers": 2, "taken": 2}, 95, ""),
        ({"workers": 2, "taken": 2, "waiting": 9}, 95, "may also be busy"),
        ({"workers": 0}, 30, "No worker runs."),
        ({"workers": 0, "is_wanted": False}, None, ""),
    ],
)
def test_a_dead_worker_timetable_or_full_database_shows_within_ninety_seconds(given, seconds, words):
    queue = QueueState(**{"is_wanted": True, "answers": True, "waiting": 0, "taken": 0} | given)
    still = standstill(queue, seconds and make.NOW - timedelta(seconds=seconds), make.NOW)
    assert words in " ".join(still or ())
    assert bool(words) == bool(still)


@pytest.mark.redis
def test_a_worker_counts_while_it_says_that_it_lives(redis_url, monkeypatch):
    with override_settings(REDIS_URL=redis_url), redis.Redis.from_url(redis_url) as client:
        monkeypatch.setattr(worker_heartbeat, "_last_s", float("-inf"))
        worker_heartbeat.beat()
        assert worker_heartbeat.living(client) == 1
        client.hset(worker_heartbeat.KEY, "dead:1", "1000000000.0")
        assert worker_heartbeat.living(client) == 1
        assert client.hlen(worker_heartbeat.KEY) == 1
        client.delete(worker_heartbeat.KEY)
        assert worker_heartbeat.living(client) == 0


@pytest.mark.django_db
@pytest.mark.parametrize("address", ["/api/sites", "/fleet/"])
@pytest.mark.parametrize("error", [OperationalError, InterfaceError, redis.ConnectionError])
def test_while_database_or_queue_is_away_one_is_told_when_to_come_again(client, monkeypatch, address, error):
    client.raise_request_exception = False
    client.force_login(make.person("owner"))

    def away(*args, **kwargs):
        raise error("connection to postgres://tapward:hidden-word@db failed")

    monkeypatch.setattr("django.db.models.query.QuerySet.count", away)
    monkeypatch.setattr("django.db.models.query.QuerySet._fetch_all", away)
    monkeypatch.setattr("django.contrib.auth.get_user", lambda request: make.Person(pk=1, role="owner"))
    answer = client.get(address)
    assert (answer.status_code, answer.headers["Retry-After"]) == (503, "30")
    assert "hidden-word" not in answer.content.decode()


@pytest.mark.django_db
def test_numbers_are_refused_kindly_while_the_database_is_away(client, monkeypatch):
    def away(**kwargs):
        raise OperationalError

    monkeypatch.setattr("api.health.numbers", away)
    assert client.get("/metrics").status_code == 503


@pytest.mark.parametrize(
    ("proxies", "told", "is_right"),
    [
        (0, "", True),
        (0, "203.0.113.9", False),
        (1, "", True),
        (1, "203.0.113.9", True),
        (1, "192.0.2.1, 203.0.113.9", True),
        (1, "192.0.2.1", False),
        (2, "203.0.113.9", False),
        (2, "192.0.2.1, 203.0.113.9, 10.0.0.1", True),
        (2, "192.0.2.1, 10.0.0.1", False),
    ],
)
def test_proxies_that_hide_callers_or_believe_them_are_told(client, db, settings, proxies, told, is_right):
    settings.PROXY_COUNT = proxies
    answer = client.get("/readyz", headers={"X-Forwarded-For": told} if told else {})
    assert (answer.json()["checks"]["proxies"] == "in order") is is_right
    assert is_right or answer.status_code == 503
