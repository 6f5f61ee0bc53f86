"""The demo opens on a day whose routes are half closed out; over a small company here."""

from datetime import timedelta

import pytest

from fleet.models import PersonRole
from scheduling.demo import first_day
from scheduling.models import CloseOut, Outcome
from scheduling.orders.steps import ensure_step_sheets
from tests import factories as make

pytestmark = pytest.mark.django_db


def test_the_first_half_of_a_route_is_reported_and_the_log_in_is_its_technicians():
    ensure_step_sheets(make.NOW)
    technician, person = (
        make.technician(name="Ines Varga"),
        make.person(username="technician", role=PersonRole.TECHNICIAN),
    )
    route = make.route(technician, [make.work_order(make.treatment_unit()) for _ in range(4)])
    first_day.lend_log_in(route.day)
    evening = route.returns_at + timedelta(hours=1)
    assert len(first_day.close_first_half(route.day, evening)) == 2
    technician.refresh_from_db()
    assert (technician.person, technician.person.get_full_name()) == (person, "Ines Varga")
    done, shut = CloseOut.objects.order_by("stop__place")
    assert (done.stop.place, done.outcome, done.note) == (1, Outcome.DONE, first_day.NOTE)
    assert done.finished_at == done.stop.leaves_at
    assert (shut.outcome, shut.note) == (Outcome.NOT_DONE, first_day.SHUT)
