"""Back from the field: reported once, before its branch's office until answered, heard by the technician."""

import uuid

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from scheduling.models import CloseOut, FieldReport, OrderState, WorkOrder
from scheduling.visits import field_reports as service
from shared.errors import DomainError
from tests import factories as make
from tests import photo_files as files
from tests.scheduling.visits.test_pages_phone import send, typed, visit  # noqa: F401

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def media(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path


def report(client, order, *, kind="leak", number=None, **given):
    """Send what was found as the phone's queue does."""
    sent = {"client_id": number or uuid.uuid4(), "kind": kind, "found_at": make.NOW.isoformat()} | given
    address = reverse("report_found", args=[order.stops.get().stop_id])
    return client.post(address, sent, headers={"accept": "application/json"})


def test_what_is_found_is_kept_once_with_its_photo_and_answered_in_words_the_technician_reads(visit, client):  # noqa: F811
    client, technician, order = visit
    number, serial = uuid.uuid4(), order.treatment_unit.serial
    for _ in range(2):
        photo = SimpleUploadedFile("leak.jpg", files.jpeg(), "image/jpeg")
        answer = report(client, order, number=number, text="Drips at the inlet", serial=serial, photo=photo)
        assert answer.status_code == 200, answer.content
    row = FieldReport.objects.get()
    assert (row.kind, row.text, row.treatment_unit.serial, bool(row.image)) == (
        "leak", "Drips at the inlet", serial, True,
    )  # fmt: skip
    assert "Not answered yet" in client.get(reverse("day")).content.decode()
    client.force_login(make.person("planner"))
    page = client.get(reverse("planner_overview")).content.decode()
    assert "Back from the field" in page
    assert "Drips at the inlet" in page
    photo = client.get(reverse("field_report_photo", args=[row.pk]))
    assert b"".join(photo.streaming_content).startswith(b"\xff\xd8")
    client.post(
        reverse("field_report", args=[row.pk]), {"answer": "Tighten it, we order a fitting.", "say": "1"}
    )
    assert "Back from the field" not in client.get(reverse("planner_overview")).content.decode()
    client.force_login(technician.person)
    for address in (reverse("day"), reverse("office_answers")):
        assert "Tighten it, we order a fitting." in client.get(address).content.decode()


def test_work_is_raised_from_a_report_once_and_its_number_is_the_answer(visit):  # noqa: F811
    client, _, order = visit
    report(client, order, kind="pump", text="Hums, no pressure", serial=order.treatment_unit.serial)
    row = FieldReport.objects.get()
    client.force_login(make.person("planner"))
    window = {"window_from": make.TODAY, "window_to": make.TODAY, "minutes": 30}
    sent = {"raise": "1", "treatment_unit": order.treatment_unit_id, **window}
    address = reverse("field_report", args=[row.pk])
    assert client.post(address, sent | {"window_to": "2020-01-01"}).status_code == 422
    assert not FieldReport.objects.filter(answered_at__isnull=False).exists()
    assert client.post(address, sent).status_code == 302
    assert client.post(address, sent).status_code == 422
    made = WorkOrder.objects.get(kind="one_off")
    assert "Hums, no pressure" in made.why
    row.refresh_from_db()
    assert row.order == made
    assert f"W{made.pk:06d}" in row.answer


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"kind": "not_done"}, "nothing that can be reported"),
        ({"kind": "other"}, "Nothing is said"),
        ({"number": "7"}, "not readable"),
        ({"photo": SimpleUploadedFile("x.jpg", b"no photo", "image/jpeg")}, "no readable photo"),
    ],
)
def test_what_cannot_be_taken_is_refused_with_a_remedy_and_nothing_is_kept(visit, given, told):  # noqa: F811
    client, _, order = visit
    answer = report(client, order, **given)
    assert answer.status_code == 422
    assert told in answer.json()["message"]
    assert answer.json()["remedy"]
    assert not FieldReport.objects.exists()


def test_a_report_is_for_ones_own_stop_and_its_number_is_ones_own(visit, client):  # noqa: F811
    mine, technician, order = visit
    number = uuid.uuid4()
    assert report(mine, order, number=number).status_code == 200
    assert report(mine, order, number=number, kind="wish").status_code == 422
    other = make.technician()
    client.force_login(other.person)
    assert report(client, order).status_code == 404
    client.force_login(make.person("planner"))
    assert report(client, order).status_code == 403
    assert FieldReport.objects.get().technician == technician


def test_only_who_manages_work_in_its_branch_sees_and_answers(visit):  # noqa: F811
    client, technician, order = visit
    report(client, order, photo=SimpleUploadedFile("leak.jpg", files.jpeg(), "image/jpeg"))
    row = FieldReport.objects.get()
    page, photo = (reverse(name, args=[row.pk]) for name in ("field_report", "field_report_photo"))

    def seen(person):
        client.force_login(person)
        answers = [client.get(address) for address in (page, photo)]
        for answer in answers:
            assert not answer.streaming or list(answer.streaming_content)
        return [answer.status_code for answer in answers]

    assert seen(technician.person) == [403, 403]
    assert seen(make.person("owner")) == [200, 200]
    assert seen(make.person("planner", branch=order.site.branch)) == [200, 200]
    assert seen(make.person("planner", branch=make.branch())) == [404, 404]
    assert client.post(page, {"answer": "Ours.", "say": "1"}).status_code == 404
    assert "Back from the field" not in client.get(reverse("planner_overview")).content.decode()


def test_of_two_answers_the_first_stands_and_an_empty_one_is_refused(visit):  # noqa: F811
    client, _, order = visit
    report(client, order)
    row, planner = FieldReport.objects.get(), make.person("planner")
    with pytest.raises(DomainError, match="empty"):
        service.answer(row, text="  ", by=planner, now=make.NOW)
    service.answer(row, text="We come on Friday.", by=planner, now=make.NOW)
    with pytest.raises(DomainError, match="We come on Friday"):
        service.answer(row, text="Never mind.", by=make.person("owner"), now=make.NOW)
    row.refresh_from_db()
    assert (row.answer, row.answered_by) == ("We come on Friday.", planner)


def test_what_could_not_be_done_comes_back_with_the_customers_offer_until_its_order_is_over(visit):  # noqa: F811
    client, technician, order = visit
    page = typed(client, order)
    fields = {name: page[name] for name in ("client_id", "orders", "finished_at", "minutes")}
    fields |= {"not_done": "nobody_there", "offer": "Thu 10 to 12"}
    assert send(client, technician.person, order, fields).status_code == 200
    assert send(client, technician.person, order, fields).status_code == 200
    row = FieldReport.objects.get()
    assert (row.kind, row.close_out, row.offer) == ("not_done", CloseOut.objects.get(), "Thu 10 to 12")
    client.force_login(make.person("planner"))
    page = client.get(reverse("planner_overview")).content.decode()
    assert "Nobody there" in page
    assert "Thu 10 to 12" in page
    WorkOrder.objects.filter(pk=order.pk).update(
        state=OrderState.WITHDRAWN, ended_at=make.NOW, withdrawn_because="x"
    )
    assert "Back from the field" not in client.get(reverse("planner_overview")).content.decode()
