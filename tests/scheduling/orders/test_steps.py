"""Step sheets: cautions first, hazard controls never skipped silently, versions kept."""

import pytest

from scheduling.models import OrderKind, StepSheet
from scheduling.orders import steps
from shared.errors import DomainError
from tests.factories import NOW

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def sheets():
    steps.ensure_step_sheets(NOW)


def codes(kind):
    return [step["code"] for step in steps.current_sheet(kind).steps]


def test_every_kind_of_work_has_one_sheet_with_cautions_and_a_hazard_control():
    assert steps.ensure_step_sheets(NOW) == 0
    assert StepSheet.objects.count() == len(OrderKind)
    for kind in OrderKind:
        sheet = steps.current_sheet(kind)
        assert "maker's manual" in sheet.cautions[0]
        assert any(step["is_hazard_control"] for step in sheet.steps)
        assert len({step["code"] for step in sheet.steps}) == len(sheet.steps)


def test_a_housing_is_opened_only_after_isolating_locking_out_and_proving_zero_pressure():
    change = codes(OrderKind.CHANGE_DUE)
    opened = change.index("take_out")
    assert [change.index(code) < opened for code in ("isolate", "lock_out", "prove_zero")] == [True] * 3
    assert change.index("override_closed") < change.index("power")
    assert change.index("flush") < change.index("power")


def test_a_hazard_control_skipped_without_a_reason_is_refused_and_with_one_is_told():
    sheet = steps.current_sheet(OrderKind.CHANGE_DUE)
    record = steps.all_done(OrderKind.CHANGE_DUE)
    assert steps.check_record(sheet, record) == []
    record[codes(OrderKind.CHANGE_DUE).index("lock_out")] = {"code": "lock_out", "done": False}
    with pytest.raises(DomainError, match="write why it was not done") as refusal:
        steps.check_record(sheet, record)
    assert refusal.value.field == "step:lock_out"
    record.append({"code": "lock_out", "done": False, "skipped_because": "hard-wired, breaker locked"})
    assert [step["because"] for step in steps.check_record(sheet, record)] == ["hard-wired, breaker locked"]


def test_a_step_left_out_of_the_record_counts_as_skipped():
    with pytest.raises(DomainError):
        steps.check_record(steps.current_sheet(OrderKind.CHANGE_DUE), [])


def test_a_new_version_is_used_and_the_old_one_stays():
    made = steps.revise(
        OrderKind.READING, cautions=["Mind the dog."], steps=[{"code": "meter", "text": "Read it."}],
        by=None, now=NOW,
    )  # fmt: skip
    assert made.version == 2
    assert steps.current_sheet(OrderKind.READING) == made
    assert StepSheet.objects.filter(kind=OrderKind.READING, version=1, is_current=False).exists()


@pytest.mark.parametrize(
    ("cautions", "rows"),
    [
        ([], [{"code": "a", "text": "A"}]),
        (["x"], []),
        (["x"], [{"code": "", "text": "A"}]),
        (["x"], [{"code": "a", "text": ""}]),
        (["x"], [{"code": "a", "text": "A"}, {"code": "a", "text": "B"}]),
    ],
)
def test_a_sheet_that_cannot_be_worked_by_is_refused(cautions, rows):
    with pytest.raises(DomainError) as refusal:
        steps.revise(OrderKind.READING, cautions=cautions, steps=rows, by=None, now=NOW)
    assert refusal.value.remedy
