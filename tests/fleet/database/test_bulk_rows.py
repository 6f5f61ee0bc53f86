"""Rows written by COPY and by the ORM are the same rows."""

from datetime import timedelta

import pytest

from fleet.assessment import runs
from fleet.database import bulk_write as bulk_rows
from fleet.models import Finding, PartState, UnitState, UseRules
from shared.messages import Message
from tests import factories as make
from tests.factories import NOW

pytestmark = pytest.mark.django_db


def known():
    return {
        model.__name__: list(model.objects.order_by("pk").values())
        for model in (PartState, UnitState, Finding)
    }


@pytest.mark.postgres
def test_copied_rows_are_the_rows_the_orm_writes(monkeypatch):
    """Also over old rows, with empty cells, words with tabs and quotes, and findings rewritten and gone.

    One site has a note of what like sites lent it. The last assessment finds the clock set back.
    """
    make.whole_unit(serial="RO\t'7'\\N")
    alone = make.treatment_unit(site=make.site(kind="office"))
    make.part(make.position(alone, "carbon", 1))
    lent = {"office": {"ratio": 0.5, "gal_per_day": 50.0, "sites": 12}}
    UseRules.objects.create(learned_at=NOW, design_spread=0.7, design_cv=0.5, units_used=40, like_sites=lent)
    later = NOW + timedelta(days=40)
    answers = []
    for worth_copying in (1, 10**9):
        monkeypatch.setattr(bulk_rows, "WORTH_COPYING", worth_copying)
        for model in (Finding, PartState, UnitState):
            model.objects.all().delete()
        runs.assess_fleet(NOW)
        first = known()
        runs.assess_fleet(later)
        second = known()
        runs.assess_fleet(NOW)
        answers.append((first, second, known()))
    by_copy, by_orm = answers
    for copied, written in zip(by_copy, by_orm, strict=True):
        for name, rows in copied.items():
            assert [one | {"id": 0} for one in rows] == [one | {"id": 0} for one in written[name]]
    assert by_copy[0] != by_copy[1]
    assert all(isinstance(one["why"], Message) for one in by_copy[0]["Finding"] + by_orm[0]["Finding"])
    assert any(one["changed_at"] == later and one["gone_at"] is None for one in by_copy[1]["Finding"])
    assert any(one["found_at"] == later for one in by_copy[1]["Finding"])
    assert all(one["found_at"] == NOW for one in by_copy[2]["Finding"] if one["gone_at"] is None)
    notes = {"learned" in state.numbers for state in PartState.objects.all()}
    assert notes == {True, False}


def test_writing_no_rows_does_nothing(django_assert_num_queries):
    with django_assert_num_queries(0):
        bulk_rows.write_rows(UnitState, {"treatment_unit_id": []}, "treatment_unit")
        bulk_rows.write_rows(Finding, {})
