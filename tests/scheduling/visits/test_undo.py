"""Taking a close-out back: within the day, as a record, with the old life restored."""

import uuid
from datetime import timedelta

import pytest

from fleet.models import Flush, MeterReading, Part
from scheduling.models import OrderState, StockLevel, WorkOrder
from scheduling.orders import raising, steps
from scheduling.visits.checks import CloseOutForm, FlushForm, PartChange
from scheduling.visits.close_out import close_out
from scheduling.visits.undo import undo
from shared.errors import DomainError
from tests import factories
from tests.factories import NOW

pytestmark = pytest.mark.django_db
ON_SITE = NOW - timedelta(hours=1)
LATER = NOW + timedelta(hours=2)


@pytest.fixture
def planner():
    return factories.person("planner")


@pytest.fixture
def close():
    """Return what closes a carbon change, done or bedding, with a counted van."""
    steps.ensure_step_sheets(NOW)
    unit = factories.whole_unit()
    old = Part.objects.get(treatment_unit=unit, position__code="carbon")
    order = factories.work_order(unit, part=old, cause_key=f"change_due:part:{old.pk}")
    technician = factories.technician(branch=unit.site.branch)
    factories.van(technician, old.kind, 2)

    def closing(outcome="done"):
        return close_out(
            CloseOutForm(
                client_id=uuid.uuid4(), order_id=order.pk, technician_id=technician.pk, outcome=outcome,
                finished_at=ON_SITE, minutes=30, steps=steps.all_done(order.kind),
                part_changes=[PartChange("carbon", "worn", old.kind.code)],
                flush=FlushForm(20, 20, True) if outcome == "done" else None,
                meter_total=MeterReading.objects.latest("read_at").total + 9,
            ),
            by=technician.person, now=NOW,
        )  # fmt: skip

    return closing


def test_the_old_part_is_back_the_order_open_and_the_record_stays(close, planner):
    row = close()
    change = row.parts.get()
    undo(row, by=planner, reason="wrong unit", now=LATER)
    row.refresh_from_db()
    removed, installed = Part.objects.get(pk=change.removed_id), Part.objects.get(pk=change.installed_id)
    assert removed.removed_at is None
    assert installed.removed_at == installed.installed_at
    assert row.order.__class__.objects.get(pk=row.order_id).state == OrderState.OPEN
    assert (row.undone_by, row.undone_because) == (planner, "wrong unit")
    assert not Flush.objects.filter(flushed_at=ON_SITE).exists()
    assert "20 gal 20 min, clear" in row.order.events.get(what="close-out undone").detail
    assert not MeterReading.objects.get(read_at=ON_SITE).is_latest
    assert StockLevel.objects.get().quantity == 2


def test_the_order_can_be_closed_again_after_an_undo(close, planner):
    undo(close(), by=planner, reason="typo", now=LATER)
    row = close()
    assert WorkOrder.objects.get(pk=row.order_id).state == OrderState.DONE
    assert StockLevel.objects.get().quantity == 1


def test_going_back_on_bedding_withdraws_tomorrows_flush(close, planner):
    row = close("bedding")
    undo(row, by=planner, reason="flushed after all", now=LATER)
    follow_up = WorkOrder.objects.get(pk=row.follow_up_id)
    assert follow_up.state == OrderState.WITHDRAWN
    assert not Flush.objects.filter(flushed_at=ON_SITE).exists()


@pytest.mark.parametrize(
    ("reason", "at", "remedy"),
    [
        ("", LATER, "Say why"),
        ("x", NOW + timedelta(days=1), "Raise a one-off order"),
    ],
)
def test_without_a_reason_or_on_another_day_it_stays(close, planner, reason, at, remedy):
    row = close()
    with pytest.raises(DomainError) as refusal:
        undo(row, by=planner, reason=reason, now=at)
    assert remedy in refusal.value.remedy
    row.refresh_from_db()
    assert row.undone_at is None


def test_it_is_not_undone_twice(close, planner):
    row = close()
    undo(row, by=planner, reason="typo", now=LATER)
    with pytest.raises(DomainError, match="undone already"):
        undo(row, by=planner, reason="typo", now=LATER)


def test_a_change_built_on_by_a_later_one_is_undone_after_it(close, planner):
    row = close()
    new = row.parts.get().installed
    again = factories.work_order(row.order.treatment_unit, part=new)
    later = close_out(
        CloseOutForm(
            client_id=uuid.uuid4(), order_id=again.pk, technician_id=row.technician_id, outcome="done",
            finished_at=NOW, minutes=30, steps=steps.all_done(again.kind),
            part_changes=[PartChange("carbon", "failed", new.kind.code)], flush=FlushForm(20, 20, True),
        ),
        by=None, now=NOW,
    )  # fmt: skip
    with pytest.raises(DomainError, match="Take the later change back first"):
        undo(row, by=planner, reason="typo", now=LATER)
    row.refresh_from_db()
    assert row.undone_at is None
    undo(later, by=planner, reason="typo", now=LATER)
    undo(row, by=planner, reason="typo", now=LATER)
    assert Part.objects.in_place().get(position=new.position) == row.parts.get().removed


def test_a_bedding_whose_second_flush_is_done_is_not_undone(close, planner):
    row = close("bedding")
    WorkOrder.objects.filter(pk=row.follow_up_id).update(state="done", ended_at=NOW)
    with pytest.raises(DomainError, match="Undo that close-out first"):
        undo(row, by=planner, reason="typo", now=LATER)


def test_a_twin_on_a_route_is_named_instead_of_doubled(close, planner):
    row = close()
    twin = factories.work_order(row.order.treatment_unit, cause_key=row.order.cause_key)
    factories.route(row.technician, [twin])
    with pytest.raises(DomainError, match=f"Close {twin} instead"):
        undo(row, by=planner, reason="typo", now=LATER)


def test_an_undone_order_is_not_withdrawn_for_the_finding_that_went_with_the_work(close, planner):
    row = close()
    undo(row, by=planner, reason="typo", now=LATER)
    raising.raise_work(now=LATER)
    assert WorkOrder.objects.get(pk=row.order_id).state == OrderState.OPEN
