"""Photos and signature on the pages: taken in by the plain form and the phone, shown to whom they concern."""

import uuid

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from scheduling.documents.paper import font_folder
from scheduling.documents.service_report import service_report_pdf
from scheduling.models import CloseOut, CloseOutPhoto
from scheduling.visits import documents
from tests import factories as make
from tests import photo_files as files
from tests.scheduling.pdf_text import pdf_text
from tests.scheduling.visits.test_pages_phone import (
    send,
    typed,
    visit,  # noqa: F401
)

pytestmark = pytest.mark.django_db
STROKES = "[[[0,0],[500,300]],[[700,100]]]"


@pytest.fixture(autouse=True)
def media(settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path


@pytest.fixture
def closed(visit):  # noqa: F811
    """A technician logged in whose order is closed."""
    client, technician, order = visit
    fields = typed(client, order)
    assert send(client, technician.person, order, fields).status_code == 200
    return client, technician, CloseOut.objects.get()


def post(client, close_out, raw: bytes | None = None, **given):
    """Send a photo as the phone does."""
    upload = SimpleUploadedFile("photo.jpg", files.jpeg() if raw is None else raw, "image/jpeg")
    sent = {"client_id": str(uuid.uuid4()), "taken_at": make.NOW.isoformat(), "photo": upload} | given
    client_id = getattr(close_out, "client_id", close_out)
    return client.post(reverse("send_photo", args=[client_id]), sent)


def test_a_photo_sent_three_times_is_kept_once_and_answered_the_same(closed):
    client, _, close_out = closed
    number = str(uuid.uuid4())
    answers = [post(client, close_out, client_id=number) for _ in range(3)]
    assert [answer.status_code for answer in answers] == [200] * 3
    assert len({answer.content for answer in answers}) == 1
    assert close_out.photos.count() == 1


@pytest.mark.parametrize("raw", [b"not a photo", files.png_that_claims(9000, 9000)], ids=["text", "bomb"])
def test_what_is_no_photo_is_refused_as_data_with_a_remedy(closed, raw):
    answer = post(closed[0], closed[2], raw)
    assert answer.status_code == 422
    assert answer.json()["message"]
    assert answer.json()["remedy"]
    assert not CloseOutPhoto.objects.exists()


@pytest.mark.parametrize("given", [{"client_id": "7"}, {"photo": ""}, {"client_id": ""}])
def test_a_photo_without_number_or_file_is_refused(closed, given):
    answer = post(closed[0], closed[2], **given)
    assert answer.status_code == 400
    assert answer.json()["remedy"]


def test_a_nonsense_time_is_left_out_and_the_photo_kept(closed):
    assert post(closed[0], closed[2], taken_at="2026-13-45T99:00").status_code == 200
    assert CloseOutPhoto.objects.get().taken_at is None


def test_nobody_else_can_add_a_photo_nor_to_what_does_not_exist(closed, client):
    _, _, close_out = closed
    assert post(client, uuid.uuid4()).status_code == 404
    client.force_login(make.technician().person)
    assert post(client, close_out).status_code == 404
    client.force_login(make.person("planner"))
    assert post(client, close_out).status_code == 403
    client.logout()
    assert post(client, close_out).status_code == 302
    assert not CloseOutPhoto.objects.exists()


def test_a_photo_is_shown_to_who_took_it_and_to_who_sees_work_in_its_branch(closed, client):
    _, technician, close_out = closed
    post(client, close_out)
    pk = CloseOutPhoto.objects.get().pk
    everybody, own = reverse("photo", args=[pk]), reverse("own_photo", args=[pk])

    def got(person, address):
        client.force_login(person)
        answer = client.get(address)
        if answer.streaming:
            assert list(answer.streaming_content)
        return answer.status_code

    branch = close_out.order.site.branch
    assert got(technician.person, own) == 200
    assert got(technician.person, everybody) == 403
    assert got(make.technician().person, own) == 404
    assert got(make.person("planner"), everybody) == 200
    assert got(make.person("planner", branch=branch), everybody) == 200
    assert got(make.person("planner", branch=make.branch()), everybody) == 404
    assert got(make.person("planner"), own) == 403
    client.logout()
    assert client.get(everybody).status_code == client.get(own).status_code == 302


def test_a_photo_is_served_as_nothing_but_a_picture_and_never_by_its_file(closed):
    client, _, close_out = closed
    post(client, close_out)
    row = CloseOutPhoto.objects.get()
    answer = client.get(reverse("own_photo", args=[row.pk]))
    content = b"".join(answer.streaming_content)
    assert content.startswith(b"\xff\xd8\xff")
    assert b"SECRET" not in content
    assert answer["Content-Type"] == "image/jpeg"
    assert answer["Content-Disposition"].startswith("inline")
    assert answer["X-Content-Type-Options"] == "nosniff"
    assert "no-store" in answer["Cache-Control"]
    for address in (f"/media/{row.image.name}", f"/{row.image.name}"):
        assert client.get(address).status_code == 404


def test_a_photo_whose_file_is_gone_is_not_found(closed):
    client, _, close_out = closed
    post(client, close_out)
    row = CloseOutPhoto.objects.get()
    row.image.storage.delete(row.image.name)
    assert client.get(reverse("own_photo", args=[row.pk])).status_code == 404


def test_the_pages_of_the_order_show_the_photos(closed, client):
    _, _, close_out = closed
    post(client, close_out)
    pk = CloseOutPhoto.objects.get().pk
    page = client.get(reverse("close_out", args=[close_out.order_id])).content.decode()
    assert reverse("own_photo", args=[pk]) in page
    client.force_login(make.person("planner"))
    page = client.get(reverse("work_order", args=[close_out.order_id])).content.decode()
    assert f'src="{reverse("photo", args=[pk])}"' in page


def test_the_plain_form_brings_photos_and_pressing_twice_keeps_each_once(visit):  # noqa: F811
    client, _, order = visit
    fields = typed(client, order, signature=STROKES)
    for _ in range(2):
        uploads = [
            SimpleUploadedFile(f"{colour}.jpg", files.jpeg(colour=colour), "image/jpeg")
            for colour in ("red", "navy")
        ]
        answer = client.post(reverse("close_out", args=[order.pk]), fields | {"photos": uploads})
        assert answer.status_code == 302
    close_out = CloseOut.objects.get()
    assert close_out.photos.count() == 2
    assert close_out.signature == STROKES


def test_the_plain_form_with_a_file_that_is_no_photo_writes_nothing_and_keeps_what_was_typed(visit):  # noqa: F811
    client, _, order = visit
    fields = typed(client, order, note="Valve is stiff", signature=STROKES)
    uploads = [SimpleUploadedFile("virus.jpg", b"MZ nothing", "image/jpeg")]
    answer = client.post(reverse("close_out", args=[order.pk]), fields | {"photos": uploads})
    text = answer.content.decode()
    assert answer.status_code == 422
    assert "virus.jpg" in text
    assert "Choose all photos again" in text
    assert "Valve is stiff" in text
    assert f'name="signature" value="{STROKES}"' in text
    assert not CloseOut.objects.exists()


def test_a_signature_sent_by_the_phone_is_kept_and_nonsense_is_to_be_mended(visit):  # noqa: F811
    client, technician, order = visit
    fields = typed(client, order, signature="[[[5000,1]]]")
    answer = send(client, technician.person, order, fields)
    assert answer.status_code == 422
    assert answer.json()["problems"][0]["field"] == "signature"
    assert not CloseOut.objects.exists()
    assert send(client, technician.person, order, fields | {"signature": STROKES}).status_code == 200
    assert CloseOut.objects.get().signature == STROKES


def test_the_report_of_a_signed_close_out_draws_the_strokes(visit):  # noqa: F811
    client, technician, order = visit
    send(client, technician.person, order, typed(client, order, signed_by="A. Person"))
    row = CloseOut.objects.get()
    address = reverse("service_report", args=[row.pk])
    client.force_login(make.person("planner"))
    plain = client.get(address).content
    CloseOut.objects.update(signature=STROKES)
    signed = client.get(address).content
    assert plain.startswith(b"%PDF")
    assert len(signed) > len(plain)


@pytest.mark.parametrize(("keeps", "place"), [(False, (None, None)), (True, (41.5, -93.25))])
def test_the_place_a_phone_tells_is_kept_only_where_the_company_keeps_places(closed, settings, keeps, place):
    settings.PHOTOS_KEEP_PLACE = keeps
    assert post(closed[0], closed[2], latitude="41.5", longitude="-93.25").status_code == 200
    row = CloseOutPhoto.objects.get()
    assert (row.latitude, row.longitude) == place


@pytest.mark.parametrize("told", [("91", "0"), ("nan", "0"), ("north", "0"), ("", "")])
def test_a_place_that_is_none_on_earth_is_left_out_and_the_photo_kept(closed, settings, told):
    settings.PHOTOS_KEEP_PLACE = True
    latitude, longitude = told
    raw = files.picture("PNG")
    assert post(closed[0], closed[2], raw, latitude=latitude, longitude=longitude).status_code == 200
    assert CloseOutPhoto.objects.get().latitude is None


class ReadOn:
    """A body of which nothing is kept: it is heard out piece by piece, once the refusal is made."""

    def __init__(self):
        self.asked = []

    def read(self, size=-1):
        self.asked.append(size)
        return b"x" * size if len(self.asked) < 5 else b""

    def readline(self, *_):
        raise AssertionError("its form is not looked at")

    def close(self):
        """Nothing is open."""


def test_what_is_larger_than_a_photo_is_refused_before_it_is_read(closed):
    client, _, close_out = closed
    body = ReadOn()
    given = {"wsgi.input": body, "CONTENT_LENGTH": str(500 * 1024**2)}
    kind = "multipart/form-data; boundary=x"
    answer = client.generic("POST", reverse("send_photo", args=[close_out.client_id]), b"", kind, **given)
    assert answer.status_code == 413
    assert "9 MB" in answer.json()["message"]
    assert "lower resolution" in answer.json()["remedy"]
    assert body.asked == [1024**2] * 5
    given["HTTP_ACCEPT"] = "text/html"
    page = client.generic("POST", reverse("close_out", args=[close_out.order_id]), b"", kind, **given)
    assert page.status_code == 413
    assert "send fewer or smaller photos" in page.content.decode()


def test_a_body_without_its_length_is_asked_for_it(closed):
    address = reverse("send_photo", args=[closed[2].client_id])
    answer = closed[0].generic("POST", address, b"", "multipart/form-data", HTTP_TRANSFER_ENCODING="chunked")
    assert answer.status_code == 411
    assert answer.json()["remedy"]


def report_of(close_out: CloseOut) -> bytes:
    report = documents.service_report(close_out, company="Us", system="metric")
    return service_report_pdf(report, is_metric=True, made_at=make.NOW, fonts=font_folder())


def test_the_service_report_shows_the_photos_with_their_captions(closed, settings):
    settings.PHOTOS_KEEP_PLACE = True
    client, _, close_out = closed
    assert "Photo 1" not in pdf_text(report_of(close_out))
    for colour in ("teal", "red", "blue", "olive"):
        post(client, close_out, files.jpeg(colour=colour), latitude="41.5", longitude="-93.25")
    content = report_of(close_out)
    text = " ".join(pdf_text(content).split())
    assert "Photo 4, " in text
    assert "41.50000°, -93.25000°" in text
    assert content.count(b"/Subtype /Image") >= 4
    close_out.photos.order_by("pk").first().image.delete(save=False)
    assert "can't be read" in " ".join(pdf_text(report_of(close_out)).split())
