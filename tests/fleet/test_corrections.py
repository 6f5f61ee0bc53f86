"""A correction leaves what was there on record, and what stands is read by everything."""

from datetime import timedelta

import pytest
from django.db import IntegrityError, transaction

from fleet.corrections.corrections import Act, correct, version_of
from fleet.corrections.selectors import attach_corrections, standing_id
from fleet.models import Corrected, Correction, MeterReading, Part, PerformanceReading, StaleFlag
from shared.errors import DomainError
from tests import factories as make

pytestmark = pytest.mark.django_db
ACT = Act("Typed wrongly.", None, make.NOW)
AT = make.NOW - timedelta(days=30)


@pytest.fixture
def unit():
    return make.whole_unit()


def reading(unit):
    return MeterReading.objects.filter(treatment_unit=unit, is_latest=True).order_by("read_at")[40]


def test_a_total_is_corrected_by_a_revision_and_a_correction_of_it_by_another(unit):
    wrong = reading(unit)
    right = correct(Corrected.TOTAL, wrong.pk, {"total": wrong.total + 3}, act=ACT)
    again = correct(Corrected.TOTAL, right.pk, {"total": wrong.total}, act=ACT)
    rows = MeterReading.objects.filter(meter=wrong.meter, read_at=wrong.read_at).order_by("revision")
    assert [(row.total, row.is_latest) for row in rows] == [
        (wrong.total, False), (wrong.total + 3, False), (wrong.total, True),
    ]  # fmt: skip
    assert standing_id(Corrected.TOTAL, wrong.pk) == again.pk
    attach_corrections({Corrected.TOTAL: [again]})
    assert [(one.was, one.became) for one in again.corrected] == [
        (f"{wrong.total:.10g}", f"{wrong.total + 3:.10g}"),
        (f"{wrong.total + 3:.10g}", f"{wrong.total:.10g}"),
    ]  # fmt: skip
    assert set(Correction.objects.values_list("first_id", flat=True)) == {wrong.pk}


def test_a_reading_moves_in_time_and_back(unit):
    wrong = reading(unit)
    at = wrong.read_at
    moved = correct(Corrected.TOTAL, wrong.pk, {"read_at": at + timedelta(hours=5)}, act=ACT)
    assert not MeterReading.objects.filter(meter=wrong.meter, read_at=at, is_latest=True).exists()
    back = correct(Corrected.TOTAL, moved.pk, {"read_at": at}, act=ACT)
    assert (back.read_at, back.total) == (at, wrong.total)
    assert MeterReading.objects.filter(meter=wrong.meter, is_latest=True).count() == 53
    other = MeterReading.objects.filter(meter=wrong.meter, is_latest=True).exclude(pk=back.pk)[0]
    with pytest.raises(DomainError, match="Another one of that moment"):
        correct(Corrected.TOTAL, back.pk, {"read_at": other.read_at}, act=ACT)


def test_a_gauge_that_was_never_read_is_taken_away(unit):
    wrong = PerformanceReading.objects.filter(treatment_unit=unit, is_latest=True)[3]
    right = correct(
        Corrected.GAUGES, wrong.pk, {"permeate_flow_gpm": None, "feed_pressure_psi": 61.0}, act=ACT
    )
    assert (right.permeate_flow_gpm, right.feed_pressure_psi) == (None, 61.0)
    assert right.concentrate_flow_gpm == wrong.concentrate_flow_gpm
    assert PerformanceReading.objects.filter(treatment_unit=unit, read_at=wrong.read_at).count() == 2


def test_the_moment_of_a_change_moves_for_both_parts_and_two_never_share_a_position(unit):
    old = Part.objects.get(treatment_unit=unit, position__code="carbon")
    Part.objects.filter(pk=old.pk).update(removed_at=AT, removal_reason="worn")
    new = make.part(old.position, old.kind, installed_at=AT)
    StaleFlag.objects.all().delete()
    correct(Corrected.PART, new.pk, {"installed_at": AT - timedelta(days=5)}, act=ACT)
    old.refresh_from_db()
    assert old.removed_at == AT - timedelta(days=5)
    assert StaleFlag.objects.filter(treatment_unit_id=unit.pk).exists()
    assert {(one.field, one.now_id) for one in Correction.objects.all()} == {
        ("installed_at", new.pk), ("removed_at", old.pk),
    }  # fmt: skip
    with pytest.raises(DomainError, match="before it was in"):
        correct(Corrected.PART, new.pk, {"installed_at": old.installed_at - timedelta(days=1)}, act=ACT)
    Part.objects.filter(pk=old.pk).update(removed_at=AT - timedelta(days=9))
    with pytest.raises(DomainError, match="Two parts can't be in one position"):
        correct(Corrected.PART, new.pk, {"installed_at": AT - timedelta(days=20)}, act=ACT)
    correct(Corrected.PART, old.pk, {"removal_reason": "early"}, act=ACT)
    with pytest.raises(DomainError, match="This part is in place"):
        correct(Corrected.PART, new.pk, {"removal_reason": "early"}, act=ACT)


def test_what_was_never_read_here_no_longer_counts_and_can_be_put_back(unit):
    row = reading(unit)
    correct(Corrected.TOTAL, row.pk, {"is_latest": False}, act=ACT)
    assert not MeterReading.objects.get(pk=row.pk).is_latest
    with pytest.raises(DomainError, match="somebody else"):
        correct(Corrected.TOTAL, row.pk, {"total": 5.0}, act=ACT)
    correct(Corrected.TOTAL, row.pk, {"is_latest": True}, act=ACT, version=1)
    assert MeterReading.objects.get(pk=row.pk).is_latest
    with pytest.raises(DomainError, match="no other values"):
        correct(Corrected.TOTAL, row.pk, {"is_latest": False, "total": 5.0}, act=ACT)
    right = correct(Corrected.TOTAL, row.pk, {"total": row.total + 1}, act=ACT)
    # What was replaced by a right value does not come back beside it.
    with pytest.raises(DomainError):
        correct(Corrected.TOTAL, row.pk, {"is_latest": True}, act=ACT)
    assert MeterReading.objects.get(meter=row.meter, read_at=row.read_at, is_latest=True) == right


def test_a_feed_test_and_a_flush_are_corrected_in_place(unit):
    test = unit.site.feed_tests.get()
    correct(Corrected.FEED_TEST, test.pk, {"hardness_mg_l": 21.0, "iron_mg_l": None}, act=ACT)
    test.refresh_from_db()
    assert test.hardness_mg_l == 21.0
    with pytest.raises(DomainError, match="not believable"):
        correct(Corrected.FEED_TEST, test.pk, {"ph": 74.0}, act=ACT)
    flush = unit.flushes.first()
    correct(Corrected.FLUSH, flush.pk, {"ran_clear": False}, act=ACT)
    assert [(one.field, one.was, one.became) for one in Correction.objects.filter(of="flush")] == [
        ("ran_clear", "yes", "no")
    ]


@pytest.mark.parametrize(
    ("values", "act", "says"),
    [
        ({"total": 5.0}, Act("  ", None, make.NOW), "says why"), ({}, ACT, "Nothing would change"),
        ({"read_at": make.NOW + timedelta(days=1)}, ACT, "in the future"), ({"total": -1.0}, ACT, "negative"),
        ({"source": "file"}, ACT, "can't be corrected here"), ({"read_at": None}, ACT, "needs a date"),
        ({"total": 1e12}, ACT, "can't show that much"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_with_a_remedy_and_nothing_is_written(unit, values, act, says):
    with pytest.raises(DomainError, match=says) as refused:
        correct(Corrected.TOTAL, reading(unit).pk, values, act=act)
    assert refused.value.remedy
    assert not Correction.objects.exists()


def test_the_second_of_two_who_correct_the_same_reading_is_told(unit):
    seen = reading(unit)
    version = version_of(Corrected.TOTAL, seen.pk)
    correct(Corrected.TOTAL, seen.pk, {"total": seen.total + 1}, act=ACT, version=version)
    with pytest.raises(DomainError, match="somebody else meanwhile"):
        correct(Corrected.TOTAL, seen.pk, {"total": seen.total + 2}, act=ACT, version=version)
    flush = unit.flushes.first()
    correct(Corrected.FLUSH, flush.pk, {"minutes": 9.0}, act=ACT, version=0)
    with pytest.raises(DomainError, match="somebody else meanwhile"):
        correct(Corrected.FLUSH, flush.pk, {"minutes": 8.0}, act=ACT, version=0)


@pytest.mark.parametrize("wrong", [{"reason": ""}, {"became": "1"}, {"treatment_unit": None}])
def test_the_database_keeps_no_correction_without_reason_difference_or_home(unit, wrong):
    given = {
        "of": "flush", "first_id": 1, "now_id": 1, "treatment_unit": unit, "about": "x", "field": "minutes",
        "was": "1", "became": "2", "reason": "x", "door": "page", "at": make.NOW,
    }  # fmt: skip
    with pytest.raises(IntegrityError), transaction.atomic():
        Correction.objects.create(**given | wrong)
