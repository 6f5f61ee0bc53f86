"""One form of the store sent many times at the same moment. On PostgreSQL: SQLite has no row locks."""

import uuid

import pytest

from scheduling.models import StockLevel, StockMovement, StockPlace
from scheduling.stock import movements
from tests import factories as make
from tests.fleet.register.test_races import at_once

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.postgres]


@pytest.mark.parametrize("lot", ["", "L-1"])
def test_one_receipt_sent_six_times_at_once_counts_once_and_nobody_is_refused(lot):
    planner, kind = make.person("planner"), make.part_kind()
    place = StockPlace.objects.create(code="shelf", name="Shelf", branch=make.branch())
    given = {"lot": lot, "client_id": uuid.uuid4(), "by": planner, "now": make.NOW}
    results = at_once(*[lambda: movements.receive(place, kind, 4, **given)] * 6)
    assert len({one.pk for one in results}) == 1
    assert StockMovement.objects.count() == 1
    assert StockLevel.objects.get(place=place, kind=kind, lot=lot).quantity == 4
