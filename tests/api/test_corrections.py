"""Entering and correcting by API: the pages' own rule and words."""

import pytest

from fleet.models import Correction, MeterReading
from tests import factories as make
from tests.api.rows import Caller, Everything

AT = "2026-11-01T08:00:00Z"


@pytest.fixture
def owner(here):
    return Caller(make.person("owner", branch=here.branch))


def test_a_fall_is_asked_about_and_kept_with_a_reason(owner, here):
    body = {"meter_id": here.meter.pk, "read_at": AT, "total": 12}
    refused = owner.call("POST", "meter-readings", body)
    assert refused.status_code == 409
    assert "is below the last" in refused.json()["title"]
    assert "correct that one first" in refused.json()["remedy"]
    kept = owner.call("POST", "meter-readings", {**body, "kept_because": "New register head."})
    assert kept.json() == {"recorded": 1, "corrected": 0, "duplicates": 0}
    assert "New register head." in MeterReading.objects.latest("pk").doubt
    assert owner.call("POST", "meter-readings", body).json()["duplicates"] == 1


def test_a_reading_is_corrected_from_what_was_seen_and_not_over_somebody_elses(owner, here):
    body = {"of": "meter_reading", "row_id": here.reading.pk, "values": {"total": 101}, "reason": "Misheard.",
            "version": 0}  # fmt: skip
    answer = owner.call("POST", "corrections", body)
    assert answer.status_code == 201
    now_id = answer.json()["now_id"]
    assert MeterReading.objects.get(pk=now_id).total == 101
    assert owner.call("POST", "corrections", body).status_code == 409
    listed = owner.get("corrections", {"now_id": now_id}).json()["results"]
    assert [(one["was"], one["became"], one["door"]) for one in listed] == [("100", "101", "api")]


@pytest.mark.parametrize(
    ("values", "status"),
    [({"total": "many"}, 400), ({"read_at": "yesterday"}, 400), ({"source": 5}, 409), ({"total": True}, 400),
     ({}, 400), ({"total": 100}, 409)],
)  # fmt: skip
def test_what_cannot_be_corrected_is_refused_and_writes_nothing(owner, here, values, status):
    before = Correction.objects.count()
    body = {"of": "meter_reading", "row_id": here.reading.pk, "values": values, "reason": "x"}
    assert owner.call("POST", "corrections", body).status_code == status
    assert Correction.objects.count() == before


def test_another_branchs_rows_are_not_there_to_correct(owner):
    there = Everything()
    body = {"of": "part", "row_id": there.part.pk, "values": {"lot": "L-9"}, "reason": "x"}
    assert owner.call("POST", "corrections", body).json()["fields"][0]["field"] == "row_id"
