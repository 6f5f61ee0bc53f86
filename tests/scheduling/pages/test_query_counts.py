"""The pages of the load test ask the database as often for a large fleet as for a small one."""

import json
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from fleet.models import UnitState
from scheduling.models import StopOrder
from shared.roles import Permission
from tests import factories as make
from tests.api.rows import Caller

pytestmark = pytest.mark.django_db


class Fleet:
    """So many treatment units, assessed, each with an order on today's route of one technician."""

    def __init__(self, branch, technician, units):
        self.units = [make.treatment_unit(site=make.site(branch=branch)) for _ in range(units)]
        self.meters = [make.meter(unit) for unit in self.units]
        orders = []
        for unit in self.units:
            make.part(make.position(unit, "carbon", 1))
            UnitState.objects.create(treatment_unit=unit, assessed_at=make.NOW, worst_wear=0.5)
            orders.append(make.work_order(unit))
        make.route(technician, orders, timezone.localdate())


@pytest.fixture
def technician():
    return make.technician()


@pytest.fixture
def planner(client, technician):
    client.force_login(make.person("planner"))
    return client


def queries(ask):
    """Return how many queries a page takes once what is asked once a process is known."""
    ask()
    with CaptureQueriesContext(
        connection,
    ) as found:
        answer = ask()
    assert answer.status_code == 200, answer.content[:500]
    return len(found)


@pytest.mark.parametrize("address", ["", "?sort=-wear", "?area=Northfield", "?q=Site"])
def test_the_fleet_list(planner, technician, address):
    Fleet(technician.branch, technician, 3)
    few = queries(lambda: planner.get(reverse("fleet_list") + address))
    for _ in range(2):
        Fleet(technician.branch, make.technician(branch=technician.branch), 20)
    assert queries(lambda: planner.get(reverse("fleet_list") + address)) == few


def test_the_page_of_a_treatment_unit(planner, technician):
    small = Fleet(technician.branch, technician, 1)
    few = queries(lambda: planner.get(reverse("treatment_unit", args=[small.units[0].serial])))
    Fleet(technician.branch, make.technician(branch=technician.branch), 30)
    assert queries(lambda: planner.get(reverse("treatment_unit", args=[small.units[0].serial]))) == few


def test_the_page_of_a_treatment_unit_with_more_on_record(planner, technician):
    one = make.whole_unit()
    make.work_order(one, state="done", ended_at=make.NOW)
    few = queries(lambda: planner.get(reverse("treatment_unit", args=[one.serial])))
    for weeks in range(1, 20):
        make.meter_reading(one.meters.get(), 5000 + weeks, make.NOW + timedelta(weeks=weeks))
        make.work_order(one, state="done", ended_at=make.NOW)
    assert queries(lambda: planner.get(reverse("treatment_unit", args=[one.serial]))) == few


def test_the_days_page(client, technician):
    Fleet(technician.branch, technician, 2)
    other = make.technician(branch=technician.branch)
    Fleet(technician.branch, other, 15)
    counts = []
    for one in (technician, other):
        client.force_login(one.person)
        assert StopOrder.objects.filter(stop__route__technician=one).count() in (2, 15)
        counts.append(queries(lambda: client.get(reverse("day"))))
    assert counts[0] == counts[1]


def test_bulk_readings(technician):
    fleet = Fleet(technician.branch, technician, 30)
    hub = Caller(make.person("integrator"), [Permission.RECORD_READINGS])
    calls = iter(range(100))

    def send(meters):
        number = next(calls)
        at = (timezone.now() - timedelta(hours=1, minutes=-number)).isoformat()
        lines = "".join(
            json.dumps({"meter_id": meter.pk, "read_at": at, "total_as_shown": 120}) + "\n"
            for meter in meters
        )
        answer = hub.call("POST", "meter-readings/bulk", lines, content_type="application/x-ndjson",
                          **{"Idempotency-Key": f"call-{number}"})  # fmt: skip
        assert answer.json()["recorded"] == len(meters)
        return answer

    few = queries(lambda: send(fleet.meters[:2]))
    assert queries(lambda: send(fleet.meters)) == few
