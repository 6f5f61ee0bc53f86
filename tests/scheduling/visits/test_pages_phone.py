"""The technician's day and close-out on the page: own days only, nothing closed twice, nothing lost."""

import json
import re
import uuid
from contextlib import closing
from datetime import UTC, date, datetime, timedelta

import pytest
from django.urls import reverse

from fleet.models import FeedTest, Flush, MeterReading, Part, PartKind, PerformanceReading, Site
from scheduling.models import CloseOut, RouteProposal, WorkOrder
from scheduling.orders import work_orders as service
from scheduling.orders.steps import current_sheet, ensure_step_sheets, revise
from scheduling.visits import undo
from tests import factories as make

pytestmark = pytest.mark.django_db


@pytest.fixture
def visit(client, time_machine):
    """A technician logged in with one carbon change on today's published route."""
    time_machine.move_to(make.NOW, tick=False)
    ensure_step_sheets(make.NOW)
    unit = make.whole_unit()
    carbon = Part.objects.get(treatment_unit=unit, position__code="carbon")
    order = make.work_order(unit, part=carbon, flush_minutes=20)
    technician = make.technician()
    make.route(technician, [order])
    client.force_login(technician.person)
    return client, technician, order


def typed(client, order, address="", **changed) -> dict:
    """Every field of the page as a technician would send it: all steps ticked, carbon changed, flushed."""
    page = client.get(address or reverse("close_out", args=[order.pk]))
    form = page.context["form"]
    sent = {name: form[name].value() for name in ("client_id", "orders")}
    sent |= {"finished_at": "", "minutes": "40"}
    for unit in form.units:
        sent |= of_unit(unit)
    return sent | changed


def of_unit(unit) -> dict:
    """What is sent of one unit: everything done."""
    sent = {step["tick"].html_name: "1" for group in unit.phases() for step in group["steps"]}
    for one in unit.orders():
        sent |= {one["outcome"].html_name: "done"}
        sent |= {one["sheet_version"].html_name: str(one["sheet_version"].value())}
    for one in unit.positions():
        sent |= {one[name].html_name: one[name].value() for name in ("removed", "kind")}
        if one["change"].value():
            sent |= {
                one["change"].html_name: "1",
                one["reason"].html_name: "worn",
                one["lot"].html_name: "L7",
            }
    flush = {"flush_volume": "25", "flush_minutes": "20", "flush_clear": "yes"}
    return sent | {unit.named(name): value for name, value in flush.items()}


def send(client, person, order, fields, **changed):
    """Send an entry as the phone's queue does."""
    body = {"person": str(person.pk), "order": str(order.pk), "fields": fields} | changed
    return client.post(reverse("send_close_outs"), json.dumps(body), content_type="application/json")


def test_the_day_shows_the_published_stops_of_the_technician_and_of_nobody_else(visit):
    client, _, order = visit
    other = make.work_order(make.treatment_unit(), why="Somebody else's work.")
    make.route(make.technician(), [other])
    text = client.get(reverse("day")).content.decode()
    assert order.treatment_unit.serial in text
    assert other.treatment_unit.serial not in text
    assert "Cautions first" in text
    assert text.index("Cautions first") < text.index(order.treatment_unit.serial)


def test_a_plan_that_is_not_published_is_not_on_the_day(visit):
    client, technician, _ = visit
    tomorrow = make.TODAY + timedelta(days=1)
    make.route(technician, [make.work_order(make.treatment_unit())], tomorrow, is_in_force=False)
    page = client.get(reverse("day", kwargs={"on": tomorrow.isoformat()}))
    assert "No stops on this day" in page.content.decode()


def test_an_address_that_is_no_day_is_not_found(visit):
    assert visit[0].get(reverse("day", kwargs={"on": "someday"})).status_code == 404


def test_the_order_of_another_technician_can_be_neither_seen_nor_closed(visit):
    client, technician, _ = visit
    other = make.work_order(make.treatment_unit())
    make.route(make.technician(), [other])
    assert client.get(reverse("close_out", args=[other.pk])).status_code == 404
    assert client.post(reverse("close_out", args=[other.pk]), {"outcome": "done"}).status_code == 404
    answer = send(client, technician.person, other, {"client_id": str(uuid.uuid4())})
    assert answer.status_code == 409
    assert not CloseOut.objects.exists()


def test_the_day_asks_the_database_the_same_number_of_times_for_one_stop_and_for_eight(
    visit, django_assert_max_num_queries
):
    client, technician, _ = visit
    later = make.TODAY + timedelta(days=1)
    make.route(technician, [make.work_order(make.whole_unit()) for _ in range(8)], later)
    for day in (make.TODAY, later):
        with django_assert_max_num_queries(16):
            client.get(reverse("day", kwargs={"on": day.isoformat()}))


def test_the_close_out_page_asks_a_bounded_number_of_times(visit, django_assert_max_num_queries):
    client, _, order = visit
    with django_assert_max_num_queries(20):
        client.get(reverse("close_out", args=[order.pk]))


def test_a_plain_form_closes_the_order_and_its_part_starts_a_new_life(visit):
    client, _, order = visit
    answer = client.post(reverse("close_out", args=[order.pk]), typed(client, order, note="Smooth."))
    assert answer.status_code == 302
    order.refresh_from_db()
    row = CloseOut.objects.get()
    assert (order.state, row.minutes, row.note) == ("done", 40, "Smooth.")
    new = Part.objects.in_place().get(position=order.part.position)
    assert (new.kind, new.lot) == (order.part.kind, "L7")
    assert (row.flush.volume_gal, row.flush.ran_clear) == (25, True)


def test_a_sheet_revised_after_the_day_was_loaded_does_not_turn_the_report_away(visit):
    client, technician, order = visit
    sent = typed(client, order)
    sheet = current_sheet(order.kind)
    new = {"code": "new_control", "text": "Lock the pump out.", "is_hazard_control": True}
    revise(order.kind, cautions=list(sheet.cautions), steps=[*sheet.steps, new], by=None, now=make.NOW)
    answer = send(client, technician.person, order, sent)
    assert answer.status_code == 200, answer.content
    assert CloseOut.objects.get().step_sheet_version == sheet.version


def test_a_plan_that_was_never_published_opens_no_order(visit):
    client, technician, _ = visit
    order = make.work_order(make.treatment_unit())
    route = make.route(technician, [order], is_in_force=False, day=make.TODAY + timedelta(days=1))
    assert client.get(reverse("close_out", args=[order.pk])).status_code == 404
    # Published once and replaced since: the work may have been done before the phone heard of it.
    RouteProposal.objects.filter(pk=route.proposal_id).update(published_at=make.NOW)
    assert client.get(reverse("close_out", args=[order.pk])).status_code == 200


def test_pressing_twice_changes_nothing_twice(visit, time_machine):
    client, _, order = visit
    sent = typed(client, order, meter_total="9000")
    first = client.post(reverse("close_out", args=[order.pk]), sent)
    time_machine.move_to(make.NOW + timedelta(seconds=40), tick=False)
    second = client.post(reverse("close_out", args=[order.pk]), sent)
    assert (first.status_code, second.status_code) == (302, 302)
    assert CloseOut.objects.count() == 1
    assert Part.objects.filter(position=order.part.position).count() == 2
    assert Flush.objects.filter(flushed_at__gte=make.NOW).count() == 1


def test_the_queue_sending_three_times_changes_nothing_twice(visit):
    client, technician, order = visit
    fields = typed(client, order, finished_at=make.NOW.isoformat())
    answers = [send(client, technician.person, order, fields) for _ in range(3)]
    assert [answer.status_code for answer in answers] == [200, 200, 200]
    assert CloseOut.objects.count() == 1
    assert Part.objects.in_place().filter(position=order.part.position).count() == 1


def test_a_hazard_control_needs_a_tick_or_a_reason(visit):
    client, _, order = visit
    sent = typed(client, order)
    del sent["step__lock_out"]
    refused = client.post(reverse("close_out", args=[order.pk]), sent)
    assert refused.status_code == 422
    assert [one.field for one in refused.context["problems"]] == ["step__lock_out"]
    assert not CloseOut.objects.exists()
    accepted = client.post(reverse("close_out", args=[order.pk]), sent | {"why__lock_out": "Battery unit."})
    assert accepted.status_code == 302
    client.force_login(make.person("planner"))
    assert "Battery unit." in client.get(reverse("work_order", args=[order.pk])).content.decode()


def test_a_page_with_mistakes_names_all_of_them_and_keeps_what_was_typed(visit):
    client, _, order = visit
    sent = typed(
        client, order, outcome="", minutes="soon", flush_clear="", feed_pressure_psi="12O",
        note="Valve stiff.", signed_by="A. Baker",
    )  # fmt: skip
    page = client.post(reverse("close_out", args=[order.pk]), sent)
    assert page.status_code == 422
    named = {one.field for one in page.context["problems"]}
    assert named == {"outcome", "minutes", "flush_clear", "feed_pressure_psi"}
    text = page.content.decode()
    for kept in ("Valve stiff.", "A. Baker", "12O", "L7", 'value="25"'):
        assert kept in text
    assert page.context["form"]["client_id"].value() == sent["client_id"]


def test_an_order_withdrawn_meanwhile_is_a_conflict_that_loses_nothing(visit):
    client, technician, order = visit
    sent = typed(client, order, note="Was done at noon.")
    service.withdraw(order, by=None, reason="Customer left.", now=make.NOW)
    page = client.post(reverse("close_out", args=[order.pk]), sent)
    assert page.status_code == 409
    text = page.content.decode()
    assert "Customer left." in text
    assert "Was done at noon." in text
    answer = send(client, technician.person, order, sent)
    assert answer.status_code == 409
    assert "Customer left." in answer.json()["message"]
    assert not CloseOut.objects.exists()
    service.reopen(order, by=None, reason="It was done.", now=make.NOW)
    assert send(client, technician.person, order, sent).status_code == 200


def test_a_part_changed_by_somebody_else_is_a_conflict(visit):
    client, technician, order = visit
    sent = typed(client, order)
    Part.objects.filter(pk=order.part_id).update(removed_at=make.NOW, removal_reason="early")
    make.part(order.part.position, order.part.kind, installed_at=make.NOW)
    answer = send(client, technician.person, order, sent)
    assert answer.status_code == 409
    assert "changed by somebody else" in answer.json()["message"]


def test_work_done_before_the_route_was_replaced_still_counts(visit):
    client, technician, order = visit
    fields = typed(client, order)
    order.stops.update(is_in_force=False)
    technician.routes.update(is_in_force=False)
    WorkOrder.objects.filter(pk=order.pk).update(state="open")
    assert send(client, technician.person, order, fields).status_code == 200


def test_what_somebody_else_typed_on_this_phone_is_not_sent_as_mine(visit):
    client, _, order = visit
    other = make.person("technician")
    assert send(client, other, order, typed(client, order)).status_code == 409
    assert not CloseOut.objects.exists()


@pytest.mark.parametrize("body", ["", "{", "[]", '{"order": "x", "fields": {}}', '{"order": 1, "fields": 3}'])
def test_what_is_not_an_entry_is_refused_plainly(visit, body):
    answer = visit[0].post(reverse("send_close_outs"), body, content_type="application/json")
    assert answer.status_code == 400
    assert "stays on the phone" in answer.json()["message"]


def test_bedding_closes_today_and_puts_tomorrows_flush_on_the_list(visit):
    client, technician, order = visit
    sent = typed(client, order, outcome="bedding", flush_volume="", flush_minutes="", flush_clear="")
    del sent["step__flush"]
    assert client.post(reverse("close_out", args=[order.pk]), sent).status_code == 302
    follow_up = CloseOut.objects.get().follow_up
    assert follow_up.kind == "reflush_required"
    assert follow_up.preferred_technician == technician
    assert follow_up.window_from == make.TODAY + timedelta(days=1)


def test_not_done_needs_a_note_and_leaves_the_order_to_be_planned_again(visit):
    client, _, order = visit
    sent = {"client_id": str(uuid.uuid4()), "outcome": "not_done", "minutes": "10"}
    assert client.post(reverse("close_out", args=[order.pk]), sent).status_code == 422
    sent["note"] = "Nobody opened."
    assert client.post(reverse("close_out", args=[order.pk]), sent).status_code == 302
    order.refresh_from_db()
    assert order.state in ("open", "on_route")


def test_readings_typed_in_metric_are_kept_in_working_measures(visit):
    client, technician, order = visit
    technician.person.measure_system = "metric"
    technician.person.save()
    sent = typed(
        client, order, feed_pressure_psi="8,3", feed_temperature_c="15", permeate_flow_gpm="1.30",
        flush_volume="95", meter_total="9 000",
    )  # fmt: skip
    assert client.post(reverse("close_out", args=[order.pk]), sent).status_code == 302
    reading = PerformanceReading.objects.get(pk=CloseOut.objects.get().performance_reading_id)
    assert reading.feed_pressure_psi == pytest.approx(120.38, abs=0.01)  # 1 bar = 14.503774 psi
    assert reading.feed_temperature_c == 15
    assert reading.permeate_flow_gpm == pytest.approx(0.3434, abs=0.0001)  # 1 gal = 3.785412 L
    assert CloseOut.objects.get().flush.volume_gal == pytest.approx(25.096, abs=0.001)
    assert MeterReading.objects.filter(read_at=make.NOW, total=9000).exists()


def test_readings_stand_with_their_last_value_and_where_the_next_is_expected(visit):
    client, _, order = visit
    page = client.get(reverse("close_out", args=[order.pk])).context["page"].units[0]
    pressure = next(one for one in page.gauges if one.name == "feed_pressure_psi")
    assert pressure.last == 120
    assert pressure.low < 120 < pressure.high
    assert page.meter.last_total == pytest.approx(7280, rel=0.02)


def test_the_day_a_part_went_in_is_the_sites_own(visit):
    client, _, order = visit
    Part.objects.filter(pk=order.part_id).update(installed_at=datetime(2026, 6, 5, 2, tzinfo=UTC))
    page = client.get(reverse("close_out", args=[order.pk])).context["page"].units[0]
    assert {row.part.pk: row.installed_on for row in page.positions if row.part}[order.part_id] == date(
        2026, 6, 4
    )


def test_a_feed_test_visit_records_the_water_and_closes_the_order(visit):
    client, technician, _ = visit
    order = make.work_order(make.treatment_unit(), "feed_test")
    make.route(technician, [order], make.TODAY + timedelta(days=1))
    sent = typed(
        client, order, flush_volume="", flush_minutes="", flush_clear="",
        test__free_chlorine_mg_l="1.4", test__hardness_mg_l="240", test__temperature_c="59",
    )  # fmt: skip
    assert client.post(reverse("close_out", args=[order.pk]), sent).status_code == 302
    test = FeedTest.objects.get(site=order.site)
    assert (test.free_chlorine_mg_l, test.hardness_mg_l) == (1.4, 240)
    assert test.temperature_c == pytest.approx(15)  # 59 °F
    order.refresh_from_db()
    assert order.state == "done"


def test_a_planner_can_take_a_close_out_back_within_its_day(visit):
    client, _, order = visit
    client.post(reverse("close_out", args=[order.pk]), typed(client, order))
    row = CloseOut.objects.get()
    client.force_login(make.person("planner"))
    assert "Undo this close-out" in client.get(reverse("work_order", args=[order.pk])).content.decode()
    client.post(reverse("undo_close_out", args=[row.pk]), {"reason": "Wrong unit."})
    row.refresh_from_db()
    order.refresh_from_db()
    assert (row.undone_because, order.state) == ("Wrong unit.", "open")
    assert Part.objects.in_place().get(position=order.part.position).pk == order.part_id


@pytest.mark.parametrize(
    ("zone", "hours_later", "is_offered"),
    [
        ("America/Chicago", 14, True),  # 23:00 there
        ("America/Chicago", 15, False),
        ("America/Los_Angeles", 16, True),
        ("America/New_York", 14, False),
    ],
)
def test_undo_is_offered_on_the_sites_own_day(visit, time_machine, zone, hours_later, is_offered):
    client, _, order = visit
    Site.objects.filter(pk=order.site_id).update(time_zone=zone)
    client.post(reverse("close_out", args=[order.pk]), typed(client, order))
    client.force_login(make.person("planner"))
    time_machine.move_to(make.NOW + timedelta(hours=hours_later), tick=False)
    page = client.get(reverse("work_order", args=[order.pk])).content.decode()
    assert ("Undo this close-out" in page) == is_offered


def test_the_worker_lists_files_that_exist_and_is_for_the_phones_pages_only(client):
    answer = client.get(reverse("phone_worker"))
    assert answer["Content-Type"].startswith("text/javascript")
    assert reverse("phone_worker").startswith("/phone/")
    files = re.findall(r'"(/static/[^"]+)"', answer.content.decode())
    assert len(files) > 10
    for file in files:
        with closing(client.get(file)) as found:
            assert found.status_code == 200, file
            b"".join(found.streaming_content)


def test_a_technician_sees_no_money_on_any_page_of_theirs(visit):
    client, _, order = visit
    PartKind.objects.update(price="9871.55")
    make.plan(order.site, amount="7654.32")
    for address in (reverse("day"), reverse("close_out", args=[order.pk])):
        text = client.get(address).content.decode()
        assert "9871" not in text
        assert "7654" not in text
        assert "USD" not in text


def test_two_reports_of_one_order_stand_beside_each_other_until_a_person_chooses(visit):
    client, technician, order = visit
    first, second = typed(client, order), typed(client, order, note="Mine, with another story")
    second["lot__carbon"] = "L8"
    second["client_id"] = str(uuid.uuid4())
    assert send(client, technician.person, order, first).status_code == 200
    answer = send(client, technician.person, order, second)
    assert answer.status_code == 409
    assert "have the planner undo" in answer.json()["message"]
    page = client.post(reverse("close_out", args=[order.pk]), second)
    text = page.content.decode()
    assert page.status_code == 409
    here = page.context["page"].orders[0]
    received = here.received
    assert str(received.client_id) == first["client_id"]
    assert any("L7" in part for part in here.received_parts)
    assert "What the office has" in text
    assert "Mine, with another story" in text
    assert "L8" in text
    row = CloseOut.objects.get()
    undo.undo(row, by=make.person("planner"), reason="the other one is right", now=make.NOW)
    assert send(client, technician.person, order, second).status_code == 200
    row.refresh_from_db()
    assert (row.undone_because, row.note) == ("the other one is right", "")
    assert CloseOut.objects.get(undone_at__isnull=True).note == "Mine, with another story"


@pytest.mark.parametrize(
    "body",
    [
        '{"person": 1, "visit": "²", "fields": {}}',
        '{"person": 1, "order": "' + "9" * 5000 + '", "fields": {}}',
        '{"person": 1, "order": 1, "fields": ' + '{"a":' * 20_000 + "1" + "}" * 20_000 + "}",
    ],
)
def test_odd_digits_and_deep_nesting_never_break_the_queue(visit, body):
    answer = visit[0].post(reverse("send_close_outs"), body, content_type="application/json")
    assert answer.status_code in (400, 422)
    assert answer.json()["message"]


@pytest.mark.parametrize("moment", ["2026-13-45T10:00:00Z", "1900-01-01T10:00:00Z", "2199-01-01T10:00:00Z"])
def test_a_phone_with_a_wrong_clock_is_told_and_half_a_sign_loses_nothing_else(visit, moment):
    client, technician, order = visit
    fields = typed(client, order)
    fields |= {"finished_at": moment, "signed_by": "Ann \ud83d"}
    for _ in range(2):
        answer = send(client, technician.person, order, fields)
        assert answer.status_code == 200, answer.json()
        assert ("clock is wrong" in answer.json()["message"]) == ("13-45" not in moment)
    row = CloseOut.objects.get()
    assert row.finished_at == row.received_at
    assert row.signed_by == "Ann \ufffd"
