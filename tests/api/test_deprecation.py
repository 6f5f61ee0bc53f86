"""An operation on its way out says so in every answer and in the schema, from one mark."""

from datetime import UTC, date, datetime
from email.utils import parsedate_to_datetime

import pytest

from api.sites import SiteViewSet
from api.viewsets import Deprecation

SINCE, GONE_ON = date(2026, 10, 1), date(2027, 10, 1)


@pytest.fixture
def marked(monkeypatch):
    monkeypatch.setattr(
        SiteViewSet, "deprecated", {"list": Deprecation(SINCE, GONE_ON, "List places instead.")}
    )


def test_answers_and_refusals_of_a_marked_operation_carry_the_headers(planner, marked):
    for query, status in (({}, 200), ({"no_such": "1"}, 400)):
        answer = planner.get("sites", query)
        assert answer.status_code == status
        # RFC 9745, 2: a date of RFC 9651, an @ and whole seconds since 1970.
        mark = answer.headers["Deprecation"]
        assert mark.startswith("@")
        assert datetime.fromtimestamp(int(mark[1:]), UTC).date() == SINCE
        # RFC 8594, 3: an HTTP-date.
        assert answer.headers["Sunset"].endswith(" GMT")
        assert parsedate_to_datetime(answer.headers["Sunset"]).date() == GONE_ON
        assert 'rel="deprecation"' in answer.headers["Link"]


def test_other_operations_carry_none_of_them(planner, marked):
    answer = planner.get("treatment-units")
    assert not {"Deprecation", "Sunset"} & set(answer.headers)


def test_the_schema_says_so_of_the_marked_operation_alone(planner, marked):
    paths = planner.get("schema").json()["paths"]
    listed = paths["/api/sites"]["get"]
    assert listed["deprecated"] is True
    assert "gone on 2027-10-01. List places instead." in listed["description"]
    others = [one for methods in paths.values() for one in methods.values() if one is not listed]
    assert not any(one.get("deprecated") for one in others)


def test_less_time_than_the_policy_promises_can_not_be_given():
    with pytest.raises(ValueError, match="365 days"):
        Deprecation(SINCE, date(2027, 9, 30), "Soon gone.")
