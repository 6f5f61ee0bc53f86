"""Which meter was in place when has one answer, for all who record or show a register."""

from datetime import timedelta

import pytest

from fleet.readings.meter_in_place import meter_in_place, meters_to_read
from tests import factories as make
from tests.factories import NOW

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


@pytest.fixture
def swapped():
    unit = make.treatment_unit()
    old = make.meter(unit, installed_at=NOW - 100 * DAY, removed_at=NOW - 10 * DAY)
    new = make.meter(unit, installed_at=NOW - 10 * DAY)
    return unit, old, new


@pytest.mark.parametrize(
    ("days_ago", "expected"), [(101, None), (100, "old"), (11, "old"), (10, "new"), (0, "new")]
)
def test_the_meter_of_a_moment_is_the_same_for_all_whoever_asks(swapped, days_ago, expected):
    unit, old, new = swapped
    meter = {"old": old, "new": new, None: None}[expected]
    at = NOW - days_ago * DAY
    for listed in ([old, new], [new, old]):
        assert meter_in_place(listed, at) == meter
    assert meters_to_read(unit.pk, at).first() == meter


def test_slack_counts_only_where_no_meter_was_in_place_without_it(swapped):
    _unit, old, new = swapped
    assert meter_in_place([old, new], NOW - 101 * DAY, 2 * DAY) == old
    assert meter_in_place([old, new], NOW - 103 * DAY, 2 * DAY) is None
    assert meter_in_place([old, new], NOW - 11 * DAY, 2 * DAY) == old


def test_at_a_visit_the_permeate_meter_is_read_before_others():
    unit = make.treatment_unit()
    feed = make.meter(unit, water="feed", installed_at=NOW - 5 * DAY)
    assert meters_to_read(unit.pk, NOW).first() == feed
    permeate = make.meter(unit, water="permeate", installed_at=NOW - 50 * DAY)
    assert list(meters_to_read(unit.pk, NOW)) == [permeate, feed]
