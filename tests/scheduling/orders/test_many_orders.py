"""One decision over many rows: all of it or nothing, and undone in one press."""

import uuid
from datetime import timedelta

import pytest
from django.urls import reverse

from scheduling.models import OrderState, WorkOrder
from scheduling.orders import work_orders as service
from shared.errors import DomainError
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def planner(client, time_machine):
    """A planner who is logged in at the tests' standing moment."""
    time_machine.move_to(make.NOW, tick=False)
    client.force_login(make.person("planner"))
    return client


def orders(count: int) -> list[WorkOrder]:
    where = make.site()
    return [make.work_order(make.treatment_unit(site=where)) for _ in range(count)]


def states() -> list[str]:
    return list(WorkOrder.objects.order_by("pk").values_list("state", flat=True))


def test_many_orders_are_withdrawn_for_one_reason_and_opened_again_in_one_press(planner):
    made = orders(3)
    chosen = {"chosen": [order.pk for order in made[:2]]}
    asked = planner.post(reverse("withdraw_chosen"), chosen)
    assert asked.status_code == 200
    assert states() == [OrderState.OPEN] * 3
    answer = planner.post(reverse("withdraw_chosen"), chosen | {"reason": "Customer moves out."})
    assert states() == [OrderState.WITHDRAWN, OrderState.WITHDRAWN, OrderState.OPEN]
    page = planner.get(answer["Location"]).content.decode()
    assert "Open them again" in page
    planner.post(reverse("reopen_chosen"), chosen)
    assert states() == [OrderState.OPEN] * 3
    assert "Open them again" not in planner.get(reverse("work_orders")).content.decode()


def test_withdrawing_without_a_reason_withdraws_none(planner):
    made = orders(2)
    answer = planner.post(reverse("withdraw_chosen"), {"chosen": [made[0].pk, made[1].pk], "reason": " "})
    assert answer.status_code == 422
    assert states() == [OrderState.OPEN] * 2


def test_one_order_that_is_over_keeps_all_as_they_are():
    made = orders(3)
    WorkOrder.objects.filter(pk=made[2].pk).update(state=OrderState.DONE, ended_at=make.NOW)
    with pytest.raises(DomainError, match="already"):
        service.withdraw_many(made, by=make.person("planner"), reason="Mistaken.", now=make.NOW)
    assert states() == [OrderState.OPEN, OrderState.OPEN, OrderState.DONE]


def test_an_order_of_another_branch_is_not_reached(client, time_machine):
    time_machine.move_to(make.NOW, tick=False)
    theirs = orders(1)[0]
    client.force_login(make.person("planner", branch=make.branch()))
    client.post(reverse("withdraw_chosen"), {"chosen": [theirs.pk], "reason": "Not ours."})
    assert states() == [OrderState.OPEN]


def test_the_same_work_is_raised_at_every_chosen_treatment_unit_once_however_often_it_is_pressed(planner):
    units = [make.treatment_unit() for _ in range(3)]
    form = {
        "chosen": [unit.serial for unit in units], "why": "Recall of a fitting: look at it.", "minutes": 20,
        "window_from": make.TODAY, "window_to": make.TODAY + timedelta(14), "client_id": uuid.uuid4(),
    }  # fmt: skip
    for _ in range(2):
        assert planner.post(reverse("raise_for_chosen"), form).status_code == 302
    assert sorted(WorkOrder.objects.values_list("treatment_unit__serial", flat=True)) == sorted(
        unit.serial for unit in units
    )


def test_a_window_that_ends_before_it_begins_raises_nothing(planner):
    unit = make.treatment_unit()
    answer = planner.post(
        reverse("raise_for_chosen"),
        {"chosen": [unit.serial], "why": "Look.", "minutes": 20, "window_from": make.TODAY + timedelta(4),
         "window_to": make.TODAY, "client_id": uuid.uuid4()},
    )  # fmt: skip
    assert answer.status_code == 422
    assert not WorkOrder.objects.exists()


def test_ticked_treatment_units_lead_to_work_or_to_their_labels(planner):
    first, second, third = (make.treatment_unit() for _ in range(3))
    ticked = {"chosen": [first.serial, second.serial]}
    page = planner.post(reverse("with_chosen_units"), ticked | {"do": "work"}).content.decode()
    assert first.serial in page
    assert third.serial not in page
    answer = planner.post(reverse("with_chosen_units"), ticked | {"do": "labels"})
    labels = planner.get(answer["Location"])
    assert labels.context["count"] == 2


def test_nothing_ticked_says_so(planner):
    make.treatment_unit()
    page = planner.post(reverse("with_chosen_units"), {"do": "work"}, follow=True).content.decode()
    assert "Tick at least one" in page
    page = planner.post(reverse("withdraw_chosen"), {}, follow=True).content.decode()
    assert "Tick at least one" in page


def test_too_many_at_once_are_refused():
    with pytest.raises(DomainError, match="too many"):
        service.withdraw_many([WorkOrder()] * 501, by=make.person("planner"), reason="x", now=make.NOW)
