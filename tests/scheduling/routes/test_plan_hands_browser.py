"""The hands in a real browser: by mouse, and by keyboard alone."""

from datetime import timedelta

import pytest
from django.urls import reverse

from scheduling.models import StopOrder
from tests import factories as make
from tests.scheduling.hands import TUESDAY, crew, plan, spot

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
WEDNESDAY = TUESDAY + timedelta(days=1)


@pytest.fixture
def board(page, live_server, time_machine):
    """A plan's page, opened by a planner."""
    time_machine.move_to(make.NOW, tick=False)
    make.person("planner", username="pia", password="a-long-pass-phrase")
    branch, people, orders = crew(people=2, orders=4)
    row = plan(branch)
    page.goto(live_server.url + reverse("log_in"))
    page.fill("input[name=username]", "pia")
    page.fill("input[name=password]", "a-long-pass-phrase")
    page.press("input[name=password]", "Enter")
    page.wait_for_url(lambda url: "log-in" not in url)
    page.goto(live_server.url + reverse("proposal", args=[row.pk]))
    return page, row, people, orders


def test_a_stop_dragged_to_another_day_shows_the_effect_and_moves_only_when_kept(board):
    page, row, _, orders = board
    who, day = spot(row, orders[0])
    other = WEDNESDAY if day == TUESDAY else TUESDAY
    stop = StopOrder.objects.get(stop__route__proposal=row, order=orders[0]).stop
    column = 1 if other == TUESDAY else 2
    cell = page.locator(f"tr[data-technician='{who.pk}']").locator("th, td").nth(column)
    page.locator(f"li[data-move$='stop={stop.pk}']").drag_to(cell)
    page.wait_for_url(f"**/move/?stop={stop.pk}&technician={who.pk}&day={other.isoformat()}")
    assert spot(row, orders[0]) == (who, day)
    page.get_by_role("button", name="Save this move").click()
    page.wait_for_url(f"**{reverse('proposal', args=[row.pk])}")
    assert spot(row, orders[0]) == (who, other)


def test_the_same_by_keyboard_alone_and_undone(board):
    page, row, people, orders = board
    who, day = spot(row, orders[0])
    other = next(one for one in people if one != who)
    summary = page.locator("summary", has_text=orders[0].site.name).first
    summary.focus()
    page.keyboard.press("Enter")
    link = page.get_by_role("link", name=f"Move or lock {orders[0].site.name}")
    link.focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/move/**")
    page.get_by_label("To").focus()
    page.get_by_label("To").select_option(label=other.name)
    page.get_by_role("button", name="Show the effect").press("Enter")
    page.get_by_role("button", name="Save this move").press("Enter")
    page.wait_for_url(f"**{reverse('proposal', args=[row.pk])}")
    assert spot(row, orders[0]) == (other, day)
    page.get_by_role("link", name="Changes by hand").press("Enter")
    page.get_by_role("button", name="Undo").press("Enter")
    page.get_by_text("Undone:").wait_for()
    assert spot(row, orders[0]) == (who, day)
