"""A visit over several orders: one page, one transaction, what became of each, nothing lost or twice."""

import uuid
from datetime import timedelta

import pytest
from django.urls import reverse

from fleet.models import Flush, MeterReading, Part, PerformanceReading, RemovalEvidence, UnitState
from scheduling.models import CloseOut, StopOrder, Visit, WorkOrder, WorkOrderEvent
from scheduling.orders import work_orders
from scheduling.orders.steps import ensure_step_sheets
from scheduling.visits import undo
from tests import factories as make
from tests.api.rows import Caller
from tests.scheduling.visits.test_pages_phone import send as send_entry
from tests.scheduling.visits.test_pages_phone import typed

pytestmark = pytest.mark.django_db


@pytest.fixture
def stop(client, time_machine):
    """A technician logged in; one stop: sediment and carbon of one unit, and work on another."""
    time_machine.move_to(make.NOW, tick=False)
    ensure_step_sheets(make.NOW)
    unit = make.whole_unit()
    parts = {part.position.code: part for part in Part.objects.filter(treatment_unit=unit)}
    orders = [
        make.work_order(unit, part=parts["sediment"], minutes=20),
        make.work_order(unit, part=parts["carbon"], minutes=40, flush_minutes=20),
        make.work_order(make.treatment_unit(site=unit.site), "one_off", minutes=20),
    ]
    technician = make.technician(branch=unit.site.branch)
    route = make.route(technician, orders)
    first = route.stops.order_by("place").first()
    StopOrder.objects.filter(stop__route=route).update(stop=first)
    client.force_login(technician.person)
    return client, technician, first, orders


def address(stop):
    return reverse("visit", args=[stop.pk])


def send(client, technician, stop, fields):
    body = {"visit": str(stop.pk)}
    return send_entry(client, technician.person, stop, fields, **body)


def states(orders):
    return [WorkOrder.objects.get(pk=order.pk).state for order in orders]


def test_a_visit_writes_all_its_orders_in_one_piece_and_asks_once_for_what_is_there_once(stop):
    client, technician, first, orders = stop
    sent = typed(client, None, address(first), finished_at=make.NOW.isoformat())
    unit = f"u{orders[0].treatment_unit_id}__"
    sent |= {f"{unit}meter_total": "9000", f"{unit}feed_pressure_psi": "118", "signed_by": "A. Baker"}
    assert send(client, technician, first, sent).status_code == 200
    visit = Visit.objects.get()
    rows = list(visit.close_outs.order_by("order_id"))
    assert (visit.site, visit.technician, visit.stop) == (first.site, technician, first)
    assert [row.order_id for row in rows] == [order.pk for order in orders]
    assert states(orders) == ["done"] * 3
    assert {row.signed_by for row in rows} == {"A. Baker"}
    assert sum(row.minutes for row in rows) == 40  # as typed, shared as planned: 20 : 40 : 20
    assert [row.minutes for row in rows] == [10, 20, 10]
    assert sum(row.drive_minutes for row in rows) == 20
    changed = {part.installed.position.code for row in rows for part in row.parts.all()}
    assert changed == {"sediment", "carbon"}
    assert MeterReading.objects.filter(read_at=make.NOW, total=9000).count() == 1
    # One flush for the unit: of the carbon, the one new part that needs it; one for the other unit.
    flushes = Flush.objects.filter(flushed_at=make.NOW, treatment_unit=orders[0].treatment_unit)
    assert [flush.part.position.code for flush in flushes] == ["carbon"]


def test_a_visit_sent_three_times_is_written_once(stop):
    client, technician, first, _ = stop
    sent = typed(client, None, address(first), finished_at=make.NOW.isoformat())
    assert [send(client, technician, first, sent).status_code for _ in range(3)] == [200] * 3
    assert (Visit.objects.count(), CloseOut.objects.count()) == (1, 3)
    assert Part.objects.filter(position__code="carbon", removed_at__isnull=True).count() == 1


def test_part_of_a_visit_may_be_done_part_not_and_part_left_for_later(stop):
    client, technician, first, (sediment, carbon, other) = stop
    sent = typed(client, None, address(first), finished_at=make.NOW.isoformat())
    sent |= {f"outcome__o{carbon.pk}": "not_done", f"because__o{carbon.pk}": "wrong_part",
             f"outcome__o{other.pk}": ""}  # fmt: skip
    sent[f"u{carbon.treatment_unit_id}__lot__carbon"] = ""
    assert send(client, technician, first, sent).status_code == 200
    assert states([sediment, carbon, other]) == ["done", "open", "on_route"]
    row = CloseOut.objects.get(order=carbon)
    assert (row.not_done_because, row.parts.count()) == ("wrong_part", 0)
    # The tick that stood at the carbon went with its order: the old part is still in.
    assert Part.objects.in_place().get(position__code="carbon").pk == carbon.part_id
    event = WorkOrderEvent.objects.get(order=carbon, what="could not be done")
    assert str(event.detail) == "Wrong or missing part"
    page = client.get(address(first))
    # What could not be done may be tried again while one is there.
    assert [one.pk for one in page.context["page"].orders] == [carbon.pk, other.pk]


def test_could_not_be_done_takes_a_reason_and_nothing_else(stop):
    """Two taps: the page as it opens, with its parts preticked, and one reason."""
    client, _, first, orders = stop
    page = client.get(address(first))
    form = page.context["form"]
    sent = {name: form[name].value() for name in ("client_id", "orders", "minutes")}
    for unit in form.units:
        for one in unit.positions():
            sent[one["removed"].html_name] = one["removed"].value()
            sent[one["kind"].html_name] = one["kind"].value()
            if one["change"].value():
                sent |= {one["change"].html_name: "1", one["reason"].html_name: "worn"}
    answer = client.post(address(first), {**sent, "not_done": "nobody_there"})
    assert answer.status_code == 302, [one for one in answer.context["problems"]]
    assert set(CloseOut.objects.values_list("outcome", "not_done_because")) == {("not_done", "nobody_there")}
    assert states(orders) == ["open"] * 3
    assert Part.objects.in_place().filter(position__code="carbon").get().pk == orders[1].part_id


def test_another_reason_needs_its_words_and_a_typed_lot_is_not_thrown_away(stop):
    client, _, first, (_, carbon, _) = stop
    sent = typed(client, None, address(first))
    unit = f"u{carbon.treatment_unit_id}__"
    for order in sent["orders"].split(","):
        sent[f"outcome__o{order}"] = ""
    for name in ("volume", "minutes", "clear"):
        sent = {key: value for key, value in sent.items() if not key.endswith(f"flush_{name}")}
    refused = client.post(address(first), {**sent, "not_done": "other"})
    assert [one.field for one in refused.context["problems"]] == ["note"]
    clash = client.post(address(first), {**sent, "not_done": "no_access", f"{unit}lot__carbon": "L8"})
    assert clash.status_code == 409
    assert "L8" in clash.content.decode()
    assert not CloseOut.objects.exists()


def test_an_order_withdrawn_meanwhile_is_named_and_the_rest_can_go_without_it(stop):
    client, technician, first, (sediment, carbon, other) = stop
    sent = typed(client, None, address(first), finished_at=make.NOW.isoformat())
    work_orders.withdraw(other, by=None, reason="Customer left.", now=make.NOW)
    answer = send(client, technician, first, sent)
    assert answer.status_code == 409
    assert f"W{other.pk:06d}" in answer.json()["message"]
    assert "Customer left." in answer.json()["message"]
    assert not Visit.objects.exists()
    assert states([sediment, carbon]) == ["on_route"] * 2
    assert send(client, technician, first, {**sent, f"outcome__o{other.pk}": ""}).status_code == 200
    assert states([sediment, carbon]) == ["done"] * 2


def test_a_visit_of_which_one_order_was_closed_by_another_stands_beside_what_the_office_has(stop):
    client, technician, first, orders = stop
    mine = typed(client, None, address(first), finished_at=make.NOW.isoformat())
    theirs = typed(client, orders[0], minutes="15")
    assert client.post(reverse("close_out", args=[orders[0].pk]), theirs).status_code == 302
    answer = send(client, technician, first, mine)
    assert answer.status_code == 409
    assert "closed already" in answer.json()["message"]
    page = client.get(address(first), {"orders": mine["orders"]})
    assert "What the office has" in page.content.decode()
    assert CloseOut.objects.count() == 1


def test_a_visit_is_the_technicians_own_and_an_order_on_no_route_of_theirs_stays_on_the_phone(stop):
    client, technician, first, _ = stop
    stranger = make.work_order(make.treatment_unit(site=first.site))
    sent = typed(client, None, address(first))
    answer = send(client, technician, first, {**sent, "orders": f"{sent['orders']},{stranger.pk}"})
    assert answer.status_code == 409
    client.force_login(make.technician().person)
    assert client.get(address(first)).status_code == 404


def test_a_clock_far_behind_its_page_is_told_and_nothing_is_written(stop):
    client, technician, first, _ = stop
    at, opened = (make.NOW - timedelta(days=3)).isoformat(), make.NOW.isoformat()
    answer = send(client, technician, first,
                  typed(client, None, address(first), finished_at=at, opened_at=opened))  # fmt: skip
    assert answer.status_code == 409
    assert "before its page was loaded" in answer.json()["message"]
    assert not Visit.objects.exists()


def test_a_clock_far_ahead_is_told_and_the_time_of_receipt_is_taken(stop):
    client, technician, first, _ = stop
    at = make.NOW + timedelta(days=3)
    answer = send(client, technician, first,
                  typed(client, None, address(first), finished_at=at.isoformat()))  # fmt: skip
    assert answer.status_code == 200
    assert "clock is wrong" in str(answer.json())
    assert Visit.objects.get().finished_at < at - timedelta(days=2)


def test_one_order_of_a_visit_is_taken_back_alone_and_what_was_read_for_both_stands(stop):
    client, technician, first, (sediment, carbon, _) = stop
    sent = typed(client, None, address(first), finished_at=make.NOW.isoformat())
    sent[f"u{carbon.treatment_unit_id}__meter_total"] = "9000"
    send(client, technician, first, sent)
    undo.undo(CloseOut.objects.get(order=carbon), by=make.person("planner"), reason="wrong", now=make.NOW)
    assert states([sediment, carbon]) == ["done", "open"]
    assert Part.objects.in_place().get(position__code="carbon").pk == carbon.part_id
    assert Part.objects.in_place().get(position__code="sediment").pk != sediment.part_id
    assert MeterReading.objects.get(total=9000).is_latest


def test_the_old_address_of_one_order_still_takes_what_a_kept_page_sends(stop):
    """A page kept before visits: plain names, no list of orders, its number the close-out's own."""
    client, technician, _, (_, carbon, _) = stop
    sent = typed(client, carbon)
    del sent["orders"]
    sent["client_id"] = str(uuid.uuid4())
    assert send_entry(client, technician.person, carbon, sent).status_code == 200
    row = CloseOut.objects.get()
    assert (str(row.client_id), str(row.visit.client_id)) == (sent["client_id"], sent["client_id"])


def test_what_was_measured_before_a_part_came_out_stays_with_it_and_goes_when_that_is_undone(stop):
    client, technician, first, (sediment, carbon, _) = stop
    unit = f"u{carbon.treatment_unit_id}__"
    sent = typed(client, None, address(first), finished_at=make.NOW.isoformat())
    read = {"evidence__carbon": "0.35", "evidence__sediment": "11", "found__feed_pressure_psi": "62"}
    sent |= {unit + name: text for name, text in {**read, "feed_pressure_psi": "60"}.items()}
    assert send(client, technician, first, sent).status_code == 200
    kept = {row.part_id: row for row in RemovalEvidence.objects.all()}
    assert kept[carbon.part_id].total_chlorine_behind_mg_l == 0.35
    assert kept[sediment.part_id].delta_p_psi == 11
    own = {"treatment_unit_id": carbon.treatment_unit_id, "is_latest": True}
    read = PerformanceReading.objects.filter(**own).order_by("-read_at")
    left, found = read[:2]
    assert (left.feed_pressure_psi, found.feed_pressure_psi) == (60, 62)
    assert found.read_at < Part.objects.get(pk=carbon.part_id).removed_at <= left.read_at == make.NOW
    caller = Caller(make.person("planner", branch=first.site.branch))
    row = caller.get("close-outs", {"outcome": "done"}).json()["results"][1]
    assert [row[when]["feed_pressure_psi"] for when in ("as_found", "as_left")] == [62, 60]
    assert caller.get(f"close-outs/{row['id']}").json() == row
    out = caller.get(f"parts/{row['parts'][0]['removed_part_id']}").json()
    assert out["removal_evidence"]["total_chlorine_behind_mg_l"] == 0.35
    caller.client.force_login(caller.person)
    history = caller.client.get(reverse("history_of", args=["unit", carbon.treatment_unit.serial]))
    assert "pressure drop across it 11 psi" in history.content.decode()
    undo.undo(CloseOut.objects.get(order=carbon), by=make.person("planner"), reason="wrong", now=make.NOW)
    assert list(RemovalEvidence.objects.values_list("part_id", flat=True)) == [sediment.part_id]


def test_a_new_membrane_keeps_the_rejection_of_its_sheet(client, time_machine):
    time_machine.move_to(make.NOW, tick=False)
    ensure_step_sheets(make.NOW)
    unit = make.treatment_unit()
    old = make.part(make.position(unit, "membrane", 1), make.part_kind(**make.MEMBRANE))
    order = make.work_order(unit, part=old)
    technician = make.technician(branch=unit.site.branch)
    make.route(technician, [order])
    client.force_login(technician.person)
    sent = typed(client, order, sheet__membrane="975")
    answer = send_entry(client, technician.person, order, sent)
    assert answer.status_code == 422
    assert [one["field"] for one in answer.json()["problems"]] == ["sheet__membrane"]
    assert send_entry(client, technician.person, order, sent | {"sheet__membrane": "97.5"}).status_code == 200
    new = Part.objects.in_place().get(treatment_unit=unit).membrane
    assert new.factory_rejection == pytest.approx(0.975)


@pytest.mark.parametrize(
    ("changed", "missing", "readiness"),
    [
        ({}, "", "in_service"),
        ({"flush_volume": "0.1"}, "0.1 of 20.0 gal", "flush_owed"),
        (
            {"chlorine_after_carbon_mg_l": "0.8"},
            "total chlorine behind carbon 0.80 mg/L, over 0.1",
            "flush_owed",
        ),
        ({"chlorine_after_carbon_mg_l": "0.1"}, "", "in_service"),
    ],
)
def test_a_flush_counts_with_its_least_volume_and_with_chlorine_within_the_limit(
    stop, changed, missing, readiness
):
    """The limit of 0.1 mg/L total chlorine behind carbon: dialysis practice (AAMI), as in the settings."""
    client, technician, first, (_, carbon, _) = stop
    unit = f"u{carbon.treatment_unit_id}__"
    sent = typed(client, None, address(first), finished_at=make.NOW.isoformat())
    answer = send(client, technician, first, sent | {unit + name: text for name, text in changed.items()})
    assert answer.status_code == 200, answer.content
    flush = Flush.objects.get(flushed_at=make.NOW, treatment_unit=carbon.treatment_unit)
    assert (str(flush.missing), flush.ran_clear) == (missing, True)
    assert UnitState.objects.get(treatment_unit=carbon.treatment_unit).readiness == readiness
    assert ("still owed" in answer.json()["message"]) == bool(missing)
    assert WorkOrderEvent.objects.filter(order=carbon, what="flushed, still owed").exists() == bool(missing)
