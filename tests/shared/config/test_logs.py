"""Log lines carry ids through requests and tasks and nobody's data."""

import io
import json
import logging
import smtplib
import uuid

import pytest
from django.core.management import call_command
from django.db import IntegrityError, OperationalError, transaction
from django.urls import reverse

from fleet.models import AuditArea, Customer, Person, TaskRun
from fleet.people import audit
from fleet.tasks import assess_units
from shared.config.logs import JsonLines, PlainText, clean, request_id
from shared.config.watched import WatchedTask
from shared.security_log import who
from tests import factories as make

EMAIL, TELEPHONE, NAME, STREET = (
    "ann.invented@example.org",
    "+1 512 555 0147",
    "Ann Invented",
    "12 Made-up Road",
)
SECRET = "k3y-0f-s0mebody-abcdefghijklmnop"


@pytest.fixture
def lines():
    """Everything that is logged, as both formatters write it."""
    stream = io.StringIO()
    handlers = [logging.StreamHandler(stream), logging.StreamHandler(stream)]
    for handler, form in zip(handlers, (JsonLines(), PlainText()), strict=True):
        handler.setFormatter(form)
    root, level = logging.getLogger(), logging.getLogger().level
    root.setLevel(logging.INFO)
    root.handlers += handlers
    yield stream
    root.handlers = [one for one in root.handlers if one not in handlers]
    root.setLevel(level)


def assert_nobody(text: str) -> None:
    for told in (EMAIL, TELEPHONE, NAME, STREET, SECRET):
        assert told not in text, f"{told} is in the log: {text}"


def test_errors_with_names_addresses_and_keys_in_their_text_are_logged_without_them(lines):
    log = logging.getLogger("tapward.test")
    errors = [
        ValueError(f"{NAME}, {STREET}"),
        smtplib.SMTPRecipientsRefused({EMAIL: (550, b"no")}),
        OperationalError(f"no postgres://x:{SECRET}@db:5432/x DETAIL: Key (email)=({EMAIL}, {NAME})"),
        KeyError(TELEPHONE),
    ]  # fmt: skip
    for error in errors:
        try:
            raise error
        except Exception:
            log.exception("Could not send to %s at %s, key %s", EMAIL, TELEPHONE, SECRET)
    text = lines.getvalue()
    assert_nobody(text)
    assert "SMTPRecipientsRefused" in text
    assert "test_logs.py" in text
    assert text.count("Could not send to") == 8


@pytest.mark.django_db
def test_a_broken_constraint_is_logged_without_the_row_it_is_about(lines):
    make.customer(code="C-1", name=NAME, email=EMAIL)
    try:
        with transaction.atomic():
            Customer.objects.create(code="C-1", name=NAME, email=EMAIL)
    except IntegrityError:
        logging.getLogger("django.request").exception("Internal Server Error: /sites/%s/", NAME)
    assert_nobody(lines.getvalue())
    assert "Internal Server Error" in lines.getvalue()


@pytest.mark.django_db
def test_a_request_is_logged_by_route_with_its_id_and_without_what_was_asked(client, lines):
    owner = make.person("owner", username=EMAIL)
    client.force_login(owner)
    given = "from-a-proxy-0001"
    answer = client.get(reverse("fleet_list"), {"words": NAME}, headers={"X-Request-ID": given})
    assert answer["X-Request-ID"] == given
    client.get(reverse("site_page", args=[STREET.replace(" ", "-")]))
    client.get(f"/u/{uuid.uuid4()}/{SECRET}")
    client.post(reverse("log_in"), {"username": EMAIL, "password": SECRET})
    text = lines.getvalue()
    assert_nobody(text)
    assert STREET.replace(" ", "-") not in text
    first = json.loads(text.splitlines()[0])
    assert (first["route"], first["status"], first["request_id"]) == ("fleet/", 200, given)


def test_an_id_that_is_no_plain_id_is_not_taken_over(client):
    answer = client.get("/healthz", headers={"X-Request-ID": 'x" onload="'})
    assert answer["X-Request-ID"].isalnum()


@pytest.mark.django_db
def test_a_task_keeps_the_id_of_the_request_that_wanted_it(lines):
    mark = request_id.set("the-request-0002")
    try:
        assess_units.delay(unit_ids=[make.treatment_unit().pk])
    finally:
        request_id.reset(mark)
    run = TaskRun.objects.get()
    assert (run.request_id, run.outcome, run.problem) == ("the-request-0002", "done", "")
    assert run.task_id


@pytest.mark.django_db
def test_a_failed_task_is_written_down_in_plain_words_without_its_text(monkeypatch, lines):
    def fail(*args):
        raise ValueError(f"{NAME} {EMAIL}")

    monkeypatch.setattr("fleet.assessment.runs.assess_units", fail)
    with pytest.raises(ValueError, match="Ann"):
        assess_units.delay(unit_ids=[1])
    run = TaskRun.objects.get()
    assert run.outcome == "failed"
    assert "ValueError" in run.problem
    assert_nobody(run.problem + lines.getvalue())


def test_every_task_leaves_a_trail():
    assert isinstance(assess_units, WatchedTask)


@pytest.mark.parametrize("text", ["Shard 12 of run 4 done", "2026-11-02 15:00 in 12.5 ms", "W000123"])
def test_what_names_nobody_is_left_as_it_is(text):
    assert clean(text) == text


def test_the_queues_own_lines_lose_their_arguments():
    record = logging.LogRecord(
        "celery.worker", logging.ERROR, "", 1, "Task %s[%s] raised unexpected: %s",
        ("fleet.tasks.assess_units", "11111111-2222-3333-4444-555555555555", repr(ValueError(NAME))), None,
    )  # fmt: skip
    told = json.loads(JsonLines().format(record))["event"]
    assert told == "Task fleet.tasks.assess_units [11111111-2222-3333-4444-555555555555] raised unexpected"


@pytest.mark.django_db
def test_people_are_written_nowhere_when_a_page_falls_over(client, lines, monkeypatch):
    Person.objects.create(username=EMAIL, first_name=NAME, role="owner")
    client.force_login(Person.objects.get())
    client.raise_request_exception = False

    def fail(**kwargs):
        raise RuntimeError(f"{NAME} <{EMAIL}>, {TELEPHONE}, {STREET}, {SECRET}")

    monkeypatch.setattr("scheduling.operations.views.operations", fail)
    assert client.get(reverse("operations")).status_code == 500
    assert "RuntimeError" in lines.getvalue()
    assert_nobody(lines.getvalue())


@pytest.mark.django_db
def test_lines_say_who_by_a_keyed_number_and_refusals_go_to_the_stream_of_security(lines, client):
    person = make.person("technician", username="ann.invented", first_name="Ann", last_name="Invented")
    client.force_login(person)
    assert client.get(reverse("revenue_review")).status_code == 403
    text = lines.getvalue()
    assert_nobody(text)
    assert "ann.invented" not in text
    written = [json.loads(line) for line in text.splitlines() if line.startswith("{")]
    told = [one for one in written if one["event"] in ("request", "refused")]
    assert {one["logger"] for one in told} == {"tapward.requests", "tapward.security"}
    assert {one["who"] for one in told} == {who(person.pk)}
    out = io.StringIO()
    call_command("who_is", who(person.pk), stdout=out)
    assert out.getvalue() == "ann.invented (technician)\n"


@pytest.mark.django_db
def test_what_opens_doors_is_told_in_the_stream_of_security_without_its_name(lines):
    audit.note("token made", area=AuditArea.OUTSIDE, about=f"{NAME}'s", by=make.person("owner"), now=make.NOW)
    text = lines.getvalue()
    assert "token made" in text
    assert "tapward.security" in text
    assert_nobody(text)
