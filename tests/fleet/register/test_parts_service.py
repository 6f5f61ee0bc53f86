"""Parts go in and come out one at a time; flushes are written down once."""

import uuid
from datetime import timedelta
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fleet.models import Cartridge, Flush, Membrane, Part
from fleet.readings.flushes import record_flush
from fleet.register import parts
from shared.errors import DomainError
from tests import factories
from tests.factories import NOW
from tests.refusals import may_refuse

pytestmark = pytest.mark.django_db


@pytest.fixture
def place():
    return factories.position(factories.treatment_unit(), "carbon", 1)


def test_a_part_goes_in_as_the_row_its_role_asks_for(place):
    other = factories.position(place.treatment_unit, "membrane", 2, "permeate")
    carbon = parts.install(position=place, kind=factories.part_kind(), at=NOW, lot=" L1 ")
    membrane = parts.install(position=other, kind=factories.part_kind(**factories.MEMBRANE), at=NOW)
    assert isinstance(carbon, Cartridge)
    assert isinstance(membrane, Membrane)
    assert carbon.lot == "L1"


def test_a_taken_position_is_refused_with_its_remedy(place):
    factories.part(place)
    with pytest.raises(DomainError, match="Take it out first"):
        parts.install(position=place, kind=factories.part_kind(), at=NOW)


def test_two_parts_may_not_overlap_in_the_past(place):
    old = factories.part(place, installed_at=NOW - timedelta(days=100))
    parts.remove(old, at=NOW - timedelta(days=10), reason="worn")
    with pytest.raises(DomainError, match="no earlier than that"):
        parts.install(position=place, kind=factories.part_kind(), at=NOW - timedelta(days=50))
    parts.install(position=place, kind=factories.part_kind(), at=NOW - timedelta(days=10))


def test_replacing_ends_one_life_and_starts_the_next_at_the_same_moment(place):
    old = factories.part(place)
    new = parts.replace(old, kind=factories.part_kind(), at=NOW, reason="failed", lot="L7")
    old.refresh_from_db()
    assert (old.removed_at, old.removal_reason) == (NOW, "failed")
    assert (new.installed_at, new.lot, new.removed_at) == (NOW, "L7", None)


def test_a_part_is_not_taken_out_twice_nor_before_it_went_in_nor_without_a_known_reason(place):
    old = factories.part(place)
    with pytest.raises(DomainError, match="Choose one of: worn"):
        parts.remove(old, at=NOW, reason="bored")
    with pytest.raises(DomainError, match="Correct the time"):
        parts.remove(old, at=NOW - timedelta(days=900), reason="worn")
    parts.remove(old, at=NOW, reason="worn")
    with pytest.raises(DomainError, match="somebody else recorded"):
        parts.remove(old, at=NOW, reason="worn")


def test_a_refused_replacement_leaves_the_old_part_in_place(place):
    old = factories.part(place)
    kind = factories.part_kind()
    with pytest.raises(DomainError, match="lot"):
        parts.replace(old, kind=kind, at=NOW, reason="worn", lot="x" * 61)
    old.refresh_from_db()
    assert old.removed_at is None


def test_a_change_taken_back_restores_the_old_life_and_leaves_the_new_one_without_length(place):
    old = factories.part(place)
    new = parts.replace(old, kind=factories.part_kind(), at=NOW, reason="worn")
    parts.put_back(old, new)
    old.refresh_from_db()
    new.refresh_from_db()
    assert old.removed_at is None
    assert new.removed_at == new.installed_at
    with pytest.raises(DomainError, match="Take the later change back first"):
        parts.put_back(old, new)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.booleans(), st.integers(0, 30)), max_size=12))
def test_whatever_is_tried_no_two_parts_share_a_position_at_one_time(place, moves):
    place = factories.position(factories.treatment_unit(), "carbon", 1)
    kind = factories.part_kind()
    for goes_in, day in moves:
        at = NOW - timedelta(days=30 - day)
        with may_refuse():
            if goes_in:
                parts.install(position=place, kind=kind, at=at)
            elif here := parts.part_in(place):
                parts.remove(here, at=at, reason="worn")
    lives = sorted(
        (part.installed_at, part.removed_at or NOW + timedelta(days=999))
        for part in Part.objects.filter(position=place)
    )
    assert all(one[1] <= two[0] for one, two in pairwise(lives))


def test_a_flush_sent_twice_is_one_row():
    unit = factories.treatment_unit()
    number = uuid.uuid4()
    first, second = (
        record_flush(treatment_unit=unit, kind="carbon_fines", at=NOW, volume_gal=25, minutes=20,
                     ran_clear=True, client_id=number)
        for _ in range(2)
    )  # fmt: skip
    assert first.pk == second.pk
    assert Flush.objects.count() == 1


@pytest.mark.parametrize(
    ("values", "remedy"),
    [
        ({"kind": "carbon_fines", "ran_clear": True}, "gallons"),
        ({"kind": "carbon_fines", "volume_gal": -1}, "Correct"),
        ({"kind": "rain"}, "Correct kind"),
    ],
)
def test_a_flush_that_cannot_be_is_refused(values, remedy):
    with pytest.raises(DomainError, match=remedy):
        record_flush(treatment_unit=factories.treatment_unit(), at=NOW, **values)
    assert not Flush.objects.exists()
