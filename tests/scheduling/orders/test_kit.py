"""What to take along beside the parts: as the composed steps ask, for what is still to do."""

import pytest
from django.urls import reverse

from scheduling.models import Route, StopOrder, WorkOrder
from scheduling.orders.kinds import WORK_KINDS
from scheduling.orders.kit import KIT, kit_of_orders
from scheduling.orders.step_library import HOUSE
from scheduling.orders.steps import current_sheets, ensure_step_sheets
from scheduling.visits.documents import work_sheet
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def orders():
    """Sediment and carbon of one unit, and a sediment of another: all on one route."""
    ensure_step_sheets(make.NOW)
    made = []
    for unit, roles in (
        (make.treatment_unit(), ("sediment", "carbon")),
        (make.treatment_unit(), ("sediment",)),
    ):
        for number, role in enumerate(roles, start=1):
            part = make.part(make.position(unit, role, number), make.part_kind(role=role))
            made.append(make.work_order(unit, part=part))
    return made


def counted(orders):
    rows = WorkOrder.objects.filter(pk__in=[one.pk for one in orders])
    rows = rows.select_related("treatment_unit", "part__kind")
    return {str(line.text): line.quantity for line in kit_of_orders(rows, current_sheets())}


def test_seals_are_counted_by_part_strips_by_unit_and_tools_once(orders):
    found = counted(orders)
    assert (found["Set of seals"], found["Total-chlorine strip"], found["Warning tag"]) == (3, 1, 1)
    assert (found["Lock and tag"], found["Dry cloths"]) == (1, 1)
    assert "Dose of sanitiser" not in found
    sediment_only = counted([orders[2]])
    assert sediment_only["Set of seals"] == 1
    assert not {"Total-chlorine strip", "Warning tag"} & set(sediment_only)


def test_the_units_own_make_up_decides_what_its_steps_take(orders):
    unit = orders[2].treatment_unit
    assert "Gloves and eye protection" in counted([orders[2]])  # nobody has said that there is no UV lamp
    unit.has_uv, unit.has_tank, unit.mains_voltage = False, False, 0
    unit.save()
    assert not {"Gloves and eye protection", "Air gauge and pump for tanks", "Lock and tag"} & set(
        counted([orders[2]])
    )


def test_the_day_its_paper_and_the_visit_tell_what_is_still_to_do(client, orders, time_machine):
    time_machine.move_to(make.NOW, tick=False)
    technician = make.technician(branch=orders[0].site.branch)
    route = make.route(technician, orders)
    stop = route.stops.order_by("place").first()
    StopOrder.objects.filter(stop__route=route, order__in=orders[:2]).update(stop=stop)
    client.force_login(technician.person)
    page = client.get(reverse("day"))
    assert "3 × Set of seals" in page.content.decode()
    assert "2 × Set of seals" in client.get(reverse("visit", args=[stop.pk])).content.decode()
    WorkOrder.objects.filter(pk=orders[1].pk).update(state="done", ended_at=make.NOW)
    page = client.get(reverse("day"))
    assert next(line.told for line in page.context["page"].kit) == "2 × Set of seals"
    sheet = work_sheet(Route.objects.get(pk=route.pk), company="Ours", system="us")
    assert sheet.kit[0] == "2 × Set of seals"
    assert not any("strip" in line for line in sheet.kit)  # the carbon is done


def test_every_thing_is_asked_for_by_a_step_that_some_work_has():
    used = {step.code for kind in WORK_KINDS.values() for step in kind.steps}
    for item in KIT:
        assert item.steps <= set(HOUSE)
        assert item.steps & used, item
