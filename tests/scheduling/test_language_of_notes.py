"""In Spanish the house's own sentences are told in Spanish; what people typed stands as they typed it."""

import csv
import io
import uuid
from datetime import timedelta

import pytest
from django.urls import reverse

from fleet.assessment.runs import assess_fleet
from fleet.models import Finding, FindingKind, Part
from scheduling.models import OrderKind, OrderState, Outcome, StepSheet, WorkOrder, WorkOrderEvent
from scheduling.orders import raising, steps, work_orders
from scheduling.visits import checks, close_out
from shared.messages import Message, message
from tests import factories as make
from tests.scheduling.pdf_text import pdf_text

pytestmark = pytest.mark.django_db
NOTE = "Water is brown, do not use, key is with Ada"
NOTES = [NOTE, "never read", "Call the customer.", 'a\x1e["never read",{}]']


@pytest.fixture
def reader(client, time_machine):
    """Log somebody in who reads Spanish."""

    def log_in(person):
        person.language = "es"
        person.save(update_fields=["language"])
        client.force_login(person)
        return client

    time_machine.move_to(make.NOW, tick=False)
    return log_in


def one_off(note: str) -> WorkOrder:
    return work_orders.raise_one_off(
        treatment_unit=make.whole_unit(), why=note, window_from=make.TODAY,
        window_to=make.TODAY + timedelta(days=5), by=None, now=make.NOW,
    )  # fmt: skip


def test_a_reason_of_the_house_is_told_in_the_readers_language_and_kept_as_data(reader):
    make.treatment_unit(serial="RO-7")
    assess_fleet(make.NOW)
    raising.raise_work(now=make.NOW)
    finding = Finding.objects.get(kind=FindingKind.READING_WANTED)
    order = WorkOrder.objects.get(kind=OrderKind.READING)
    assert isinstance(finding.why, Message)
    assert order.why == finding.why
    assert order.why.figures["serial"] == "RO-7"
    page = reader(make.person("planner")).get(reverse("work_order", args=[order.pk])).content.decode()
    assert "Medidor de RO-7 nunca leído; los vencimientos se apoyan" in page
    assert "due dates rest on" not in page
    assert WorkOrder.objects.filter(why__icontains="meter of ro-7 never read").get() == order


@pytest.mark.parametrize("note", NOTES)
def test_a_typed_reason_stays_to_the_letter_wherever_it_is_shown(reader, note):
    order = one_off(note)
    order.refresh_from_db()
    assert order.why == note
    assert not isinstance(order.why, Message)
    technician = make.technician(branch=order.site.branch)
    make.route(technician, [order])
    planner = make.person("planner")
    row = reader(planner).get(reverse("work_order", args=[order.pk])).context["sheet"]
    assert [event.detail for event in row.events if event.detail] == [note]
    listed = reader(planner).get(reverse("order_file", args=["csv"]))
    rows = csv.DictReader(io.StringIO(b"".join(listed).decode("utf-8-sig"), newline=""))
    assert [row["Por qué"] for row in rows] == [note]
    pages = [
        reader(planner).get(reverse("work_order", args=[order.pk])),
        reader(technician.person).get(reverse("day")),
        reader(technician.person).get(reverse("close_out", args=[order.pk])),
    ]
    for page in pages:
        assert page.status_code == 200
        assert note.replace('"', "&quot;") in page.content.decode()


def test_a_technicians_note_stays_in_history_and_report(reader):
    steps.ensure_step_sheets(make.NOW)
    unit = make.whole_unit()
    technician = make.technician(branch=unit.site.branch)
    order = make.work_order(unit, part=Part.objects.get(treatment_unit=unit, position__code="carbon"))
    make.route(technician, [order])
    form = checks.CloseOutForm(
        client_id=uuid.uuid4(), order_id=order.pk, technician_id=technician.pk, outcome=Outcome.NOT_DONE,
        finished_at=make.NOW, minutes=10, steps=[], note=NOTE,
    )  # fmt: skip
    row = close_out.close_out(form, by=technician.person, now=make.NOW)
    client = reader(make.person("planner"))
    page = client.get(reverse("work_order", args=[order.pk])).content.decode()
    assert f"No se pudo hacer: {NOTE}" in page
    assert NOTE in pdf_text(client.get(reverse("service_report", args=[row.pk])).content)
    assert WorkOrderEvent.objects.get(order=order, what="taken off its route").detail.figures == {
        "note": NOTE
    }


def test_a_withdrawal_keeps_a_typed_reason_and_tells_the_houses_own(reader):
    typed, own = one_off("Once"), one_off("Twice")
    work_orders.withdraw(typed, by=None, reason=NOTE, now=make.NOW)
    own.site.is_closed = True
    own.site.save()
    raising.raise_work(now=make.NOW)
    client = reader(make.person("planner"))
    assert NOTE in client.get(reverse("work_order", args=[typed.pk])).content.decode()
    assert WorkOrder.objects.get(pk=own.pk).state == OrderState.WITHDRAWN
    told = client.get(reverse("work_order", args=[own.pk])).content.decode()
    assert "el sitio está cerrado" in told
    assert "the site is closed" not in told


def test_steps_of_the_house_are_told_and_edited_ones_stand(reader):
    steps.ensure_step_sheets(make.NOW)
    sheet = StepSheet.objects.get(kind=OrderKind.READING, is_current=True)
    assert all(isinstance(step["text"], Message) for step in sheet.steps)
    edited = [{**sheet.steps[0], "text": NOTE}, *sheet.steps[1:]]
    steps.revise(sheet.kind, cautions=sheet.cautions, steps=edited, by=None, now=make.NOW)
    order = make.work_order(make.whole_unit(), kind=OrderKind.READING)
    page = reader(make.person("planner")).get(reverse("work_order", args=[order.pk])).content.decode()
    assert NOTE in page
    assert "Look for leaks while you are there." not in page


def test_a_refusal_on_a_page_is_told_in_the_readers_language(reader):
    order = one_off("Once")
    client = reader(make.person("planner"))
    sent = client.post(reverse("reopen_order", args=[order.pk]), {"reason": "Again"}, follow=True)
    assert "no está retirada" in sent.content.decode()


def test_old_rows_in_plain_english_are_shown_as_they_are(reader):
    order = make.work_order(make.whole_unit(), why="never read")
    page = reader(make.person("planner")).get(reverse("work_order", args=[order.pk])).content.decode()
    assert "<p>never read</p>" in page
    order.why = message("never read")
    order.save(update_fields=["why"])
    page = reader(make.person("planner")).get(reverse("work_order", args=[order.pk])).content.decode()
    assert "<p>nunca leído</p>" in page
