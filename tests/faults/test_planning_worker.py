"""Plans as background tasks, real worker and broker: progress, cancel, a worker killed midway."""

from datetime import timedelta

import pytest
from django.utils import timezone

from scheduling.models import ProposalState, RouteProposal, StopOrder, WorkOrder
from scheduling.routes import proposals, replanning
from tests.faults.fleet_at_risk import kill, sender, start_worker, wait_until
from tests.scheduling import hands

pytestmark = [
    pytest.mark.postgres,
    pytest.mark.redis,
    pytest.mark.slow,
    pytest.mark.django_db(transaction=True),
]
LONG_S = 3000
"""Longer than any test waits: only a cancel brings such a plan home."""


@pytest.fixture
def worker(redis_url):
    """One started worker, killed at the end."""
    started = start_worker(redis_url)
    yield started
    kill(started)


@pytest.fixture
def tomorrow():
    return timezone.localdate() + timedelta(days=1)


def small_crew(tomorrow):
    branch, people, orders = hands.crew(people=3, orders=12)
    hands.due_on(tomorrow + timedelta(days=3), orders)
    WorkOrder.objects.update(window_from=tomorrow - timedelta(days=3))
    return branch, people, orders


def wished(branch, tomorrow, seconds):
    return proposals.start(first_on=tomorrow, days=4, branch=branch, seconds=seconds, now=timezone.now())


def send(redis_url, task, **kwargs):
    with sender(redis_url) as client:
        client.send_task(f"scheduling.tasks.{task}", kwargs=kwargs)


def state_of(row):
    return RouteProposal.objects.get(pk=row.pk).state


def wait_for_progress(row):
    rows = RouteProposal.objects.filter(pk=row.pk)
    wait_until(lambda: rows.filter(progress__gt=0.05).exclude(progress_text="").exists(), "progress is told")
    assert state_of(row) == ProposalState.RUNNING


def is_whole(row, orders):
    placed = StopOrder.objects.filter(stop__route__proposal=row).values_list("order_id", flat=True)
    left = row.unplaced.values_list("order_id", flat=True)
    return sorted([*placed, *left]) == sorted(order.pk for order in orders)


def test_a_plan_tells_its_progress_and_a_cancel_brings_the_best_so_far_home(redis_url, worker, tomorrow):
    branch, _, orders = small_crew(tomorrow)
    row = wished(branch, tomorrow, LONG_S)
    send(redis_url, "propose_routes", proposal_id=row.pk)
    wait_for_progress(row)
    proposals.cancel(row)
    wait_until(lambda: state_of(row) == ProposalState.READY, "the plan comes home")
    assert is_whole(row, orders)
    assert StopOrder.objects.filter(stop__route__proposal=row).exists()


def test_a_plan_set_aside_while_it_runs_writes_nothing(redis_url, worker, tomorrow):
    branch, _, _ = small_crew(tomorrow)
    row, marker = wished(branch, tomorrow, LONG_S), wished(branch, tomorrow, 2)
    send(redis_url, "propose_routes", proposal_id=row.pk)
    wait_for_progress(row)
    proposals.set_aside(row)
    send(redis_url, "propose_routes", proposal_id=marker.pk)
    wait_until(lambda: state_of(marker) == ProposalState.READY, "the worker is free again")
    assert state_of(row) == ProposalState.SET_ASIDE
    assert not row.routes.exists()


def test_a_plan_whose_worker_is_killed_is_worked_out_by_the_next_one(redis_url, worker, tomorrow):
    branch, _, orders = small_crew(tomorrow)
    row = wished(branch, tomorrow, LONG_S)
    send(redis_url, "propose_routes", proposal_id=row.pk)
    wait_for_progress(row)
    kill(worker)
    RouteProposal.objects.filter(pk=row.pk).update(seconds=2, progress=0, progress_text="")
    next_one = start_worker(redis_url)
    try:
        send(redis_url, "propose_routes", proposal_id=row.pk)
        wait_until(lambda: state_of(row) == ProposalState.READY, "the next worker has planned")
    finally:
        kill(next_one)
    assert is_whole(row, orders)


def test_a_re_plan_tells_its_progress_and_can_be_cancelled(redis_url, worker, tomorrow):
    branch, _, orders = small_crew(tomorrow)
    now = timezone.now()
    published = hands.plan(branch, first_on=tomorrow, days=4, now=now, is_published=True)
    away = published.routes.first().technician
    asked = replanning.begin(
        branch, technician=away, first_on=tomorrow, last_on=tomorrow, seconds=LONG_S, by=None, now=now
    )
    row = asked.proposal
    send(redis_url, "replan_routes", replan_id=asked.pk)
    wait_for_progress(row)
    proposals.cancel(row)
    wait_until(lambda: state_of(row) == ProposalState.READY, "the re-plan comes home")
    assert is_whole(row, orders)
    assert not row.routes.filter(technician=away, day=tomorrow).exists()
