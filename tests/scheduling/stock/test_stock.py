"""Stock: a level is the sum of its movements, never negative, and no movement counts twice."""

import uuid

import pytest
from django.db.models import Sum
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from scheduling.models import StockLevel, StockMovement, StockPlace
from scheduling.stock import movements
from shared.errors import DomainError
from tests import factories
from tests.factories import NOW
from tests.refusals import may_refuse

pytestmark = pytest.mark.django_db


@pytest.fixture
def places():
    branch = factories.branch()
    return [StockPlace.objects.create(code=code, name=code, branch=branch) for code in ("shelf", "van")]


def held(place):
    return StockLevel.objects.filter(place=place).aggregate(total=Sum("quantity"))["total"] or 0


def test_loading_a_van_twice_with_one_number_loads_it_once(places):
    shelf, van = places
    kind = factories.part_kind()
    movements.put(shelf, kind, 5, at=NOW)
    number = uuid.uuid4()
    for _ in range(2):
        movements.carry(kind, 3, from_place=shelf, to_place=van, at=NOW, client_id=number)
    assert (held(shelf), held(van)) == (2, 3)


def test_more_than_there_is_does_not_leave_and_nothing_half_moves(places):
    shelf, van = places
    kind = factories.part_kind()
    movements.put(shelf, kind, 1, at=NOW)
    with pytest.raises(DomainError, match="holds 1") as refusal:
        movements.carry(kind, 2, from_place=shelf, to_place=van, at=NOW)
    assert "Count the place" in refusal.value.remedy
    assert (held(shelf), held(van)) == (1, 0)


@pytest.mark.parametrize("quantity", [0, -1])
def test_less_than_one_part_is_not_moved(places, quantity):
    with pytest.raises(DomainError, match="Enter 1 or more"):
        movements.put(places[0], factories.part_kind(), quantity, at=NOW)
    with pytest.raises(DomainError, match="Enter 1 or more"):
        movements.take(places[0], factories.part_kind(), quantity, at=NOW)


def test_a_count_becomes_the_movement_that_explains_it(places):
    kind = factories.part_kind()
    movements.put(places[0], kind, 5, at=NOW)
    assert movements.count(places[0], kind, 3, at=NOW).quantity == -2
    assert movements.count(places[0], kind, 3, at=NOW) is None
    with pytest.raises(DomainError, match="Enter 0 or more"):
        movements.count(places[0], kind, -1, at=NOW)
    with pytest.raises(DomainError, match="two different places"):
        movements.carry(kind, 1, from_place=places[0], to_place=places[0], at=NOW)


MOVES = st.lists(
    st.tuples(st.sampled_from(["put", "take", "carry", "count"]), st.integers(0, 4), st.booleans()),
    max_size=15,
)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(MOVES)
def test_whatever_is_moved_levels_are_the_sums_and_not_negative(places, moves):
    kind = factories.part_kind()
    for what, quantity, turned in moves:
        here, there = places if turned else reversed(places)
        with may_refuse():
            if what == "carry":
                movements.carry(kind, quantity, from_place=here, to_place=there, at=NOW)
            else:
                getattr(movements, what)(here, kind, quantity, at=NOW)
    for place in places:
        level = StockLevel.objects.filter(place=place, kind=kind).values_list("quantity", flat=True).first()
        moved = StockMovement.objects.filter(place=place, kind=kind).aggregate(total=Sum("quantity"))["total"]
        assert (level or 0) == (moved or 0)
        assert (level or 0) >= 0
