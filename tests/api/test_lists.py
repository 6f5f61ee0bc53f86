"""Lists: filters, ordering, pages by key, moments with their zone, problem details; schema and docs page."""

from datetime import datetime, timedelta

import pytest
from django.conf import settings
from django.urls import reverse

from api.authentication import CallRate
from scheduling.models import WorkOrder
from shared.roles import Role
from tests import factories as make
from tests.api.access_table import ACCESS

LISTS = sorted(address for method, address in ACCESS if method == "GET" and "<" not in address)


def all_pages(caller, address: str, query: dict) -> list[dict]:
    answer, rows = caller.get(address, query).json(), []
    while True:
        rows += answer["results"]
        if not answer["next"]:
            return rows
        answer = caller.client.get(answer["next"], headers=caller.headers).json()


@pytest.mark.parametrize("ordering", ["id", "-id", "window_to", "-window_to", "raised_at", "-raised_at"])
def test_pages_hold_every_row_once_in_order_though_many_are_alike(planner, here, ordering):
    days = [make.TODAY + timedelta(days=n % 3) for n in range(25)]
    made = {make.work_order(here.unit, window_to=day).pk for day in days}
    rows = all_pages(planner, "work-orders", {"ordering": ordering, "page_size": 4})
    keys = [row["id"] for row in rows]
    assert len(keys) == len(set(keys))
    assert made <= set(keys)
    name = ordering.removeprefix("-")
    values = [(row[name], row["id"]) for row in rows]
    assert values == sorted(values, reverse=ordering.startswith("-"))


def test_rows_that_come_between_two_pages_shift_nothing(planner, here):
    make.work_order(here.unit)
    first = planner.get("work-orders", {"page_size": 1, "ordering": "-id"}).json()
    newest = make.work_order(here.unit)
    second = planner.client.get(first["next"], headers=planner.headers).json()
    assert second["results"][0]["id"] != first["results"][0]["id"]
    assert newest.pk not in [row["id"] for row in second["results"]]


@pytest.mark.parametrize(
    ("address", "query", "finds"),
    [
        ("sites", {"code": "own"}, True),
        ("sites", {"code": "none"}, False),
        ("treatment-units", {"readiness": "in_service"}, True),
        ("treatment-units", {"readiness": "idle"}, False),
        ("treatment-units", {"is_decaying": "true"}, False),
        ("parts", {"role": "carbon", "is_in_place": "true"}, True),
        ("parts", {"is_in_place": "false"}, False),
        ("findings", {"is_standing": "true", "likely_to": "2026-11-30"}, True),
        ("findings", {"likely_to": "2026-11-03"}, False),
        ("findings", {"changed_from": "2026-11-02T16:00:00+01:00"}, True),
        ("findings", {"changed_from": "2026-11-02T15:00:01Z"}, False),
        ("meters", {"water": "permeate"}, True),
        ("meters", {"water": "feed"}, False),
        ("meter-readings", {"read_from": "2026-10-01T00:00:00Z", "read_to": "2026-10-04T00:00:00Z"}, True),
        ("meter-readings", {"read_to": "2026-10-03T15:00:00Z"}, False),
        ("work-orders", {"state": "on_route", "kind": "change_due"}, True),
        ("work-orders", {"state": "withdrawn"}, False),
        ("routes", {"day_from": "2026-11-02", "day_to": "2026-11-02"}, True),
        ("routes", {"day_from": "2026-11-03"}, False),
        ("close-outs", {"outcome": "done", "is_standing": "true"}, True),
        ("close-outs", {"is_standing": "false"}, False),
        ("revenue-entries", {"month_from": "2026-11-01", "kind": "work"}, True),
        ("revenue-entries", {"month_to": "2026-10-31"}, False),
    ],
)
def test_a_filter_keeps_what_it_names(planner, here, address, query, finds):
    if query.get("code") == "own":
        query = {"code": here.site.code}
    answer = planner.get(address, query)
    assert answer.status_code == 200, answer.content
    assert bool(answer.json()["results"]) is finds


@pytest.mark.parametrize("address", LISTS)
def test_an_unknown_parameter_is_refused_and_not_passed_over(planner, address):
    answer = planner.get(address, {"serail": "RO-1"})
    assert answer.status_code == 400
    assert answer.headers["Content-Type"] == "application/problem+json"
    assert answer.json()["fields"][0]["field"] == "serail"


def test_moments_carry_their_zone(planner, here):
    row = planner.get(f"findings/{here.finding.pk}").json()
    assert datetime.fromisoformat(row["found_at"]).utcoffset() is not None
    assert datetime.fromisoformat(row["found_at"]) == make.NOW


def test_a_moment_without_zone_is_refused(planner):
    answer = planner.get("findings", {"changed_from": "2026-11-02T15:00:00"})
    assert answer.status_code == 400
    assert "zone" in answer.json()["fields"][0]["message"]


def test_money_is_exact_and_names_its_currency(planner, here):
    row = planner.get(f"revenue-entries/{here.entry.pk}").json()
    assert (row["amount"], row["currency"]) == ("38.00", settings.CURRENCY)


@pytest.mark.parametrize("address", LISTS)
def test_a_list_takes_as_many_queries_for_many_rows_as_for_one(
    planner, here, address, django_assert_max_num_queries
):
    for _ in range(5):
        unit = make.treatment_unit(site=here.site)
        part = make.part(make.position(unit, "carbon", 1))
        make.meter_reading(make.meter(unit), 5.0)
        make.performance_reading(unit)
        make.finding(unit, part=part)
        make.route(make.technician(branch=here.branch), [make.work_order(unit)])
    planner.get(address)
    with django_assert_max_num_queries(8):
        planner.get(address)


def test_a_row_is_not_sent_again_to_who_has_it(planner, here):
    first = planner.get(f"sites/{here.site.pk}")
    again = planner.get(f"sites/{here.site.pk}", None, **{"If-None-Match": first.headers["ETag"]})
    assert (again.status_code, again.content) == (304, b"")
    here.site.area = "Southend"
    here.site.save()
    changed = planner.get(f"sites/{here.site.pk}", None, **{"If-None-Match": first.headers["ETag"]})
    assert changed.status_code == 200


def test_too_many_calls_by_one_token_are_refused_and_others_go_on(planner, here, monkeypatch):
    monkeypatch.setattr(CallRate, "THROTTLE_RATES", {"read": "3/min", "write": "3/min", "bulk": "3/min"})
    other = type(planner)(make.person("planner", branch=here.branch))
    assert [planner.get("sites").status_code for _ in range(4)] == [200, 200, 200, 429]
    refused = planner.get("sites")
    assert int(refused.headers["Retry-After"]) > 0
    assert refused.headers["RateLimit"] == f'"read";r=0;t={refused.headers["Retry-After"]}'
    assert refused.headers["Content-Type"] == "application/problem+json"
    assert other.get("sites").status_code == 200


def test_every_answer_says_how_many_calls_are_left(planner, here, monkeypatch, time_machine):
    # IETF draft "RateLimit header fields for HTTP", 10: a quota q in w seconds, r of it left for t seconds.
    time_machine.move_to(make.NOW + timedelta(seconds=20), tick=False)
    monkeypatch.setattr(CallRate, "THROTTLE_RATES", {"read": "5/min", "write": "9/min", "bulk": "3/min"})
    for left in (4, 3):
        answer = planner.get("sites")
        assert answer.headers["RateLimit-Policy"] == '"read";q=5;w=60'
        assert answer.headers["RateLimit"] == f'"read";r={left};t=40'
    refused = planner.call("POST", "work-orders", {})
    assert (refused.status_code, refused.headers["RateLimit"]) == (400, '"write";r=8;t=40')
    time_machine.shift(timedelta(seconds=40))
    assert planner.get("sites").headers["RateLimit"] == '"read";r=4;t=60'


def test_the_schema_describes_every_address(planner):
    schema = planner.get("schema").json()
    described = {
        (method.upper(), path.removeprefix("/api/").replace("{id}", "<int:pk>"))
        for path, methods in schema["paths"].items()
        for method in methods
    }
    assert described == set(ACCESS)
    for methods in schema["paths"].values():
        for operation in methods.values():
            assert {"400", "401", "403", "429"} <= set(operation["responses"])


def test_an_order_raised_by_hand_stays_one_order_when_sent_twice(planner, here):
    body = {
        "client_id": "7f0dc6a2-0b1e-4d57-a2a5-0f8f6a4a2c11", "treatment_unit_id": here.unit.pk,
        "why": "A leak.", "window_from": "2026-11-02", "window_to": "2026-11-05",
    }  # fmt: skip
    first, second = (planner.call("POST", "work-orders", body) for _ in range(2))
    assert (first.status_code, second.status_code) == (201, 201)
    assert first.json()["id"] == second.json()["id"]
    assert WorkOrder.objects.filter(why="A leak.").count() == 1


@pytest.mark.parametrize("role", list(Role))
def test_the_docs_page_is_there_for_whoever_is_logged_in(client, db, role):
    assert client.get(reverse("api_docs")).status_code == 302
    client.force_login(make.person(role))
    page = client.get(reverse("api_docs"))
    assert page.status_code == 200
    assert "<style" not in page.content.decode()
