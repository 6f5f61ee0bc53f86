"""Two at once on PostgreSQL: whoever comes second writes nothing and breaks nothing."""

import threading
import uuid
from datetime import date

import pytest
from django.db import connection, connections

from fleet.models import Finding, FindingKind, Part
from scheduling.billing import revenue
from scheduling.models import CloseOut, RevenueEntry, WorkOrder, WorkOrderEvent, WorkOrderPart
from scheduling.orders import raising, steps
from scheduling.visits.checks import CloseOutForm, FlushForm, PartChange
from scheduling.visits.close_out import close_out
from shared.periods import months_between
from tests import factories
from tests.factories import NOW, TODAY
from tests.refusals import may_refuse

pytestmark = [pytest.mark.postgres, pytest.mark.django_db(transaction=True)]


def at_once(*works):
    """Run each in a thread with its own connection, started together; return what they raised."""
    gate, raised = threading.Barrier(len(works)), []

    def run(work):
        try:
            gate.wait(10)
            work()
        except Exception as error:
            raised.append(error)
        finally:
            connections.close_all()

    threads = [threading.Thread(target=run, args=[work]) for work in works]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    return raised


@pytest.fixture
def many_findings():
    assert connection.vendor == "postgresql"
    steps.ensure_step_sheets(NOW)
    units = [factories.treatment_unit() for _ in range(5)]
    kind = factories.part_kind()
    parts = [factories.part(factories.position(unit, "carbon", 1), kind) for unit in units]
    Finding.objects.bulk_create(
        Finding(
            treatment_unit=units[n % 5], part=parts[n % 5], kind=FindingKind.CHANGE_DUE,
            cause_key=f"change_due:test:{n}", method="wear", why="Due.", strength=0.9, likely_on=TODAY,
            late_on=TODAY, found_at=NOW, changed_at=NOW,
        )
        for n in range(600)
    )  # fmt: skip


def test_two_workers_raising_at_once_raise_every_order_once(many_findings):
    reports = []
    assert at_once(*[lambda: reports.append(raising.raise_work(now=NOW))] * 3) == []
    assert sum(report.raised_total for report in reports) == 600
    assert WorkOrder.objects.count() == 600
    assert WorkOrderEvent.objects.count() == 600
    assert WorkOrderPart.objects.count() == 600


def test_two_workers_strengthening_and_withdrawing_at_once_say_it_once(many_findings):
    raising.raise_work(now=NOW)
    Finding.objects.filter(cause_key__lt="change_due:test:3").update(strength=1.4, why="Overdue.")
    Finding.objects.filter(cause_key__gte="change_due:test:3").update(gone_at=NOW, gone_because="gone")
    assert at_once(*[lambda: raising.raise_work(now=NOW)] * 3) == []
    per_order = WorkOrder.objects.values_list("pk", "events__what")
    assert len(per_order) == len(set(per_order)) == 1200


def test_one_report_sent_from_two_tabs_closes_once_and_two_reports_close_once():
    steps.ensure_step_sheets(NOW)
    unit = factories.whole_unit()
    part = Part.objects.get(treatment_unit=unit, position__code="carbon")
    order = factories.work_order(unit, part=part)
    technician = factories.technician(branch=unit.site.branch)

    def form(number):
        return CloseOutForm(
            client_id=number, order_id=order.pk, technician_id=technician.pk, outcome="done",
            finished_at=NOW, minutes=30, steps=steps.all_done(order.kind),
            part_changes=[PartChange("carbon", "worn", part.kind.code)], flush=FlushForm(20, 20, True),
        )  # fmt: skip

    def send(what):
        with may_refuse():
            close_out(what, by=None, now=NOW)

    same, other = form(uuid.uuid4()), form(uuid.uuid4())
    assert at_once(lambda: send(same), lambda: send(same), lambda: send(other)) == []
    assert CloseOut.objects.count() == 1
    assert Part.objects.filter(position=part.position).count() == 2


def test_revenue_entered_twice_at_once_and_while_a_month_closes_is_entered_once():
    site = factories.site()
    for _ in range(20):
        factories.plan(site)
    for month in months_between(date(2025, 1, 1), date(2026, 9, 1)):
        revenue.close_month(month, by=None, now=NOW)
    october = date(2026, 10, 1)

    def enter():
        revenue.enter_revenue(through=TODAY, now=NOW)

    assert at_once(enter, enter, lambda: revenue.close_month(october, by=None, now=NOW)) == []
    keys = list(RevenueEntry.objects.values_list("cause_key", flat=True))
    assert len(keys) == len(set(keys)) == 20 * 23
