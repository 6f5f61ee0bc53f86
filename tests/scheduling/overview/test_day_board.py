"""The day board: visits and drives to scale, today's as it runs, and only one's own branch."""

from datetime import timedelta

import pytest
from django.urls import reverse

from scheduling.models import Visit
from scheduling.overview.day_board import day_board
from tests import factories as make

pytestmark = pytest.mark.django_db
TODAY = make.TODAY


@pytest.fixture
def route():
    """Stops at 9:20, 10:20 and 11:20 UTC, of 30, 40 and 50 minutes, twenty minutes' drive before each."""
    orders = [make.work_order(make.treatment_unit(), minutes=minutes) for minutes in (30, 40, 50)]
    return make.route(make.technician(), orders, TODAY)


def seen(day=TODAY, now=make.NOW, branch_id=None):
    """The board."""
    return day_board(day=day, now=now, today=TODAY, branch_id=branch_id)


def test_a_block_is_as_long_as_its_visit_and_stands_where_its_hour_is(route):
    board = seen(now=make.NOW - timedelta(hours=9))
    (line,) = board.lines
    hour = board.hours[1][0] - board.hours[0][0]
    assert [block.width for block in line.blocks] == pytest.approx(
        [hour / 2, hour * 2 / 3, hour * 5 / 6], abs=0.2
    )
    begins = [block.x for block in line.blocks]
    assert begins[1] - begins[0] == pytest.approx(hour, abs=0.2)
    for (left, width), block in zip(line.drives, line.blocks, strict=True):
        assert left + width == pytest.approx(block.x, abs=0.2)
        assert width == pytest.approx(hour / 3, abs=0.2)


def test_what_took_longer_moves_what_is_still_to_come_but_not_what_is_done(route):
    first, second, _ = route.stops.order_by("place")
    before = seen(now=first.arrives_at).lines[0].blocks
    over = first.leaves_at + timedelta(minutes=20)
    Visit.objects.create(
        site=first.site, technician=route.technician, stop=first, finished_at=over, received_at=over
    )
    for placed in first.orders.all():
        placed.order.state, placed.order.ended_at = "done", over
        placed.order.save()
    after = seen(now=over).lines[0].blocks
    assert [block.state for block in after] == ["done", "", ""]
    assert after[0].begins == before[0].begins
    assert [new.begins - old.begins for new, old in zip(after[1:], before[1:], strict=True)] == [
        timedelta(minutes=20)
    ] * 2
    assert after[1].stop == second


def test_another_day_stands_as_published_and_one_without_routes_says_what_to_do(route, client):
    assert seen(now=make.NOW + timedelta(days=1), day=TODAY).lines
    assert seen(day=TODAY + timedelta(days=1)) is None
    client.force_login(make.person("planner"))
    page = client.get(reverse("day_board"), {"day": str(TODAY + timedelta(days=1))}).content.decode()
    assert "No routes on this day" in page
    assert route.technician.name in client.get(reverse("day_board"), {"day": str(TODAY)}).content.decode()


def test_it_is_for_planners_and_of_their_branch_only(route, client):
    client.force_login(make.person("technician"))
    assert client.get(reverse("day_board")).status_code == 403
    assert seen(branch_id=make.branch().pk) is None
    client.force_login(make.person("planner", branch=make.branch()))
    page = client.get(reverse("day_board"), {"day": str(TODAY)}).content.decode()
    assert route.technician.name not in page


def test_a_promise_a_lock_and_a_limit_that_is_passed_are_marked(route):
    first, second, third = route.stops.order_by("place")
    first.orders.get().order.__class__.objects.filter(stops__stop=first).update(
        window_from=TODAY - timedelta(days=9), window_to=TODAY - timedelta(days=1)
    )
    second.orders.get().order.__class__.objects.filter(stops__stop=second).update(promised_on=TODAY)
    route.stops.filter(pk=third.pk).update(is_pinned=True)
    blocks = seen(now=first.arrives_at).lines[0].blocks
    assert [(block.state, block.is_promised, block.stop.is_pinned) for block in blocks] == [
        ("late", False, False), ("", True, False), ("", False, True),
    ]  # fmt: skip
