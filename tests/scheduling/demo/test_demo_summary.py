"""What the demo says at its end, over a small company instead of the invented one."""

import io
from types import SimpleNamespace

import pytest

from scheduling.management.commands.demo import Command
from scheduling.models import RouteProposal
from tests import factories as make

pytestmark = pytest.mark.django_db


def test_the_summary_counts_what_is_there_and_says_how_to_use_the_data(settings):
    settings.IS_EMBEDDED = True
    order = make.work_order(make.treatment_unit())
    make.finding(order.treatment_unit)
    route = make.route(make.technician(), [order])
    proposal = RouteProposal.objects.get(pk=route.proposal_id)
    came = {
        "run": SimpleNamespace(counts={"units": 1, "parts": 1}), "proposal": proposal, "learned": [],
        "sheets": {"meter_readings": []}, "closed": ["TU-1: Carbon changed"],
        "people": [("Planner", "planner", "a-word")],
    }  # fmt: skip
    said = io.StringIO()
    Command(stdout=said)._summary(came, 1.0)
    text = said.getvalue()
    assert "1 open, 0 done" in text
    assert "1 technician-days" in text
    assert "TAPWARD_DATA_DIR=" in text
