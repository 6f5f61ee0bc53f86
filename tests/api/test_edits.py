"""Edits of work orders: only of the version one was shown, with a history, whole or not at all."""

from datetime import timedelta

import pytest

from scheduling.models import WorkOrderEvent
from tests import factories as make


@pytest.fixture
def address(here):
    return f"work-orders/{here.order.pk}"


def edit(caller, address, body, etag, method="PATCH"):
    headers = {"If-Match": etag} if etag else {}
    return caller.call(method, address, body, **headers)


def test_a_day_is_promised_from_the_version_one_was_shown(planner, here, address):
    etag = planner.get(address).headers["ETag"]
    answer = edit(planner, address, {"promised_on": "2026-11-02"}, etag)
    assert answer.status_code == 200, answer.content
    assert answer.json()["promised_on"] == "2026-11-02"
    assert answer.headers["ETag"] == planner.get(address).headers["ETag"] != etag
    event = WorkOrderEvent.objects.get(order=here.order)
    assert (event.what, event.by) == ("promised", planner.person)


def test_a_promise_is_taken_back_with_null(planner, here, address):
    edit(planner, address, {"promised_on": "2026-11-02"}, "*")
    assert edit(planner, address, {"promised_on": None}, "*").json()["promised_on"] is None
    assert list(WorkOrderEvent.objects.values_list("what", flat=True)) == ["promised", "promise withdrawn"]


def test_an_edit_without_the_version_is_refused(planner, here, address):
    assert edit(planner, address, {"promised_on": "2026-11-02"}, "").status_code == 428
    here.order.refresh_from_db()
    assert here.order.promised_on is None


def test_of_two_who_saw_the_same_version_the_second_is_refused(planner, here, address):
    etag = planner.get(address).headers["ETag"]
    assert edit(planner, address, {"promised_on": "2026-11-02"}, etag).status_code == 200
    second = edit(planner, address, {"promised_on": "2026-11-09"}, etag)
    assert second.status_code == 412
    assert second.json()["remedy"]
    here.order.refresh_from_db()
    assert here.order.promised_on.isoformat() == "2026-11-02"


def test_a_weak_tag_does_not_let_an_edit_go_on(planner, address):
    etag = planner.get(address).headers["ETag"]
    assert edit(planner, address, {"promised_on": "2026-11-02"}, f"W/{etag}").status_code == 412


def test_a_day_that_has_passed_can_not_be_promised(planner, here, address):
    past = (make.TODAY - timedelta(days=1)).isoformat()
    answer = edit(planner, address, {"promised_on": past}, "*")
    assert answer.status_code == 409
    assert answer.json()["fields"][0]["field"] == "promised_on"
    assert not WorkOrderEvent.objects.exists()


def test_an_order_is_withdrawn_once_for_a_reason(planner, here, address):
    answer = edit(planner, f"{address}/withdraw", {"reason": "Site closed."}, "*", "POST")
    assert answer.json()["state"] == "withdrawn"
    assert answer.json()["withdrawn_because"] == "Site closed."
    again = edit(planner, f"{address}/withdraw", {"reason": "Again."}, "*", "POST")
    assert again.status_code == 409
    promised = edit(planner, address, {"promised_on": "2026-11-02"}, "*")
    assert promised.status_code == 409


@pytest.mark.parametrize(
    "body",
    [{}, {"promised_on": "soon"}, {"promised_on": "9999-12-31"}, {"promised_on": 5}, [], "x", None,
     {"promised_on": "\x00"}],
)  # fmt: skip
def test_a_body_that_makes_no_sense_is_refused_by_field(planner, here, address, body):
    answer = edit(planner, address, body, "*")
    assert answer.status_code == 400, answer.content
    assert answer.headers["Content-Type"] == "application/problem+json"


def test_no_reason_is_no_reason(planner, address):
    for reason in ("", "   ", "x" * 161, "a\x00b", 5, None):
        answer = edit(planner, f"{address}/withdraw", {"reason": reason}, "*", "POST")
        assert answer.status_code == (200 if reason == 5 else 400), (reason, answer.content)
