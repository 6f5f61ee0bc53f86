"""Photos of a close-out: only real pictures, only the picture, once each."""

import uuid
from datetime import timedelta
from io import BytesIO
from pathlib import Path

import pytest
from PIL import Image

from scheduling.models import CloseOut, CloseOutPhoto
from scheduling.visits import photos as service
from scheduling.visits.photos import MOST_BYTES, clean_photo, place_of
from shared.errors import DomainError
from tests import factories as make
from tests import photo_files as files


@pytest.fixture
def close_out(db, settings, tmp_path):
    settings.MEDIA_ROOT = tmp_path
    order = make.work_order(make.treatment_unit())
    return CloseOut.objects.create(
        order=order, technician=make.technician(), outcome="done", finished_at=make.NOW,
        received_at=make.NOW, minutes=30,
    )  # fmt: skip


def checked(raw: bytes | None = None, **given) -> service.CheckedPhoto:
    values = {"client_id": uuid.uuid4(), "taken_at": make.NOW, "now": make.NOW}
    return service.check_photo(raw or files.jpeg(), **values | given)


def kept_files(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if path.is_file()]


def test_nothing_but_the_picture_passes():
    raw = files.jpeg()
    assert b"SECRETMAKER" in raw
    assert b"SECRETCOMMENT" in raw
    assert Image.open(BytesIO(raw)).getexif().get_ifd(files.GPS_FOLDER)
    clean = clean_photo(raw)
    assert b"SECRET" not in clean
    picture = Image.open(BytesIO(clean))
    assert picture.format == "JPEG"
    assert not picture.getexif()
    assert "comment" not in picture.info


def test_what_is_hidden_behind_the_picture_stays_outside():
    clean = clean_photo(files.jpeg() + b"<script>alert(1)</script>PK\x03\x04")
    assert b"script" not in clean
    assert b"PK\x03\x04" not in clean


def test_a_photo_taken_with_the_phone_on_its_side_stands_upright():
    # Exif 2.3, tag 0x0112: 6 means the picture is to be turned by 90 degrees to the right.
    assert Image.open(BytesIO(clean_photo(files.jpeg(400, 300, orientation=6)))).size == (300, 400)


def test_a_large_photo_is_made_smaller_in_proportion():
    assert Image.open(BytesIO(clean_photo(files.jpeg(4000, 3000)))).size == (1600, 1200)


@pytest.mark.parametrize(
    "raw",
    [
        files.picture("PNG", "RGBA"),
        files.picture("PNG", "P"),
        files.picture("PNG", "1"),
        files.picture("WEBP"),
    ],
    ids=["png with holes", "png by palette", "png of bits", "webp"],
)
def test_png_and_webp_are_taken_and_kept_as_jpeg(raw):
    assert Image.open(BytesIO(clean_photo(raw))).format == "JPEG"


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>",
        b"\xff\xd8\xff\xe0 not really a jpeg",
        b"\x89PNG\r\n\x1a\n" + b"\0" * 400,
        b"%PDF-1.7 something",
        files.picture("GIF"),
        files.picture("TIFF"),
        files.picture("BMP"),
        files.jpeg()[:700],
        files.png_that_claims(3000, 3000),
    ],
    ids=["empty", "svg", "jpeg by name", "png by name", "pdf", "gif", "tiff", "bmp", "cut short", "no data"],
)
def test_what_is_no_photo_is_refused_with_a_remedy(raw):
    with pytest.raises(DomainError, match="no readable photo") as refused:
        clean_photo(raw)
    assert refused.value.remedy


@pytest.mark.parametrize("side", [6_400, 10_000, 60_000], ids=["41 Mpx", "warned of", "bomb"])
def test_a_few_bytes_that_claim_to_be_huge_are_refused_before_they_are_unpacked(side):
    raw = files.png_that_claims(side, side)
    assert len(raw) < 200
    with pytest.raises(DomainError, match="40 megapixels"):
        clean_photo(raw)


def test_a_file_over_eight_megabytes_is_refused():
    with pytest.raises(DomainError, match="8 MB"):
        clean_photo(files.jpeg() + b"\0" * MOST_BYTES)


def test_the_same_photo_sent_again_is_kept_once(close_out, tmp_path):
    photo = checked()
    first = service.keep_photo(close_out, photo)
    assert service.keep_photo(close_out, photo).pk == first.pk
    assert CloseOutPhoto.objects.count() == 1
    assert len(kept_files(tmp_path)) == 1
    assert first.taken_at == make.NOW


def test_of_two_that_arrive_at_one_moment_one_is_kept_and_no_file_is_left_behind(
    close_out, tmp_path, monkeypatch
):
    photo = checked()
    first = service.keep_photo(close_out, photo)
    known, asked = service.known_photo, []

    def known_only_later(*given):
        asked.append(given)
        return known(*given) if len(asked) > 1 else None

    monkeypatch.setattr(service, "known_photo", known_only_later)
    assert service.keep_photo(close_out, photo).pk == first.pk
    assert len(asked) == 2
    assert len(kept_files(tmp_path)) == 1


def test_the_file_has_a_name_that_cannot_be_guessed(close_out):
    photo = checked()
    name = Path(service.keep_photo(close_out, photo).image.name)
    assert uuid.UUID(name.stem) != photo.client_id
    assert name.suffix == ".jpg"


def test_a_number_of_another_close_out_is_refused(close_out):
    photo = checked()
    service.keep_photo(close_out, photo)
    other = CloseOut.objects.create(
        order=make.work_order(make.treatment_unit()), technician=make.technician(), outcome="done",
        finished_at=make.NOW, received_at=make.NOW, minutes=30,
    )  # fmt: skip
    with pytest.raises(DomainError, match="another close-out"):
        service.keep_photo(other, photo)
    assert not other.photos.exists()


def test_more_photos_than_thirty_are_refused_and_leave_no_file(close_out, tmp_path, monkeypatch):
    monkeypatch.setattr(service, "MOST_PHOTOS", 2)
    for _ in range(2):
        service.keep_photo(close_out, checked())
    with pytest.raises(DomainError, match="2 photos already"):
        service.keep_photo(close_out, checked())
    assert close_out.photos.count() == len(kept_files(tmp_path)) == 2


def test_a_clock_that_runs_ahead_by_years_is_not_believed():
    assert checked(taken_at=make.NOW + timedelta(days=900)).taken_at is None
    assert checked(taken_at=make.NOW - timedelta(days=3)).taken_at == make.NOW - timedelta(days=3)


def test_only_the_technician_of_a_close_out_is_given_it(close_out):
    mine, other = close_out.technician.person_id, make.technician().person_id
    assert service.close_out_of(close_out.client_id, person_id=mine) == close_out
    assert service.close_out_of(close_out.client_id, person_id=other) is None
    assert service.close_out_of(uuid.uuid4(), person_id=mine) is None


def test_a_photos_place_is_read_in_degrees_and_left_out_unless_the_company_keeps_it(close_out):
    assert place_of(files.jpeg()) == pytest.approx(files.PLACE)
    assert place_of(files.picture("PNG")) is None
    assert place_of(b"no photo") is None
    row = service.keep_photo(close_out, checked(place=(1.0, 2.0)))
    assert (row.latitude, row.longitude) == (None, None)


def test_where_the_company_keeps_places_one_stands_beside_the_picture_and_never_in_it(close_out):
    row = service.keep_photo(close_out, checked(keeps_place=True))
    row.refresh_from_db()
    assert (row.latitude, row.longitude) == pytest.approx(files.PLACE)
    with row.image.open("rb") as file:
        assert not Image.open(file).getexif()
    told = service.keep_photo(close_out, checked(keeps_place=True, place=(-33.5, 151.25)))
    assert (told.latitude, told.longitude) == (-33.5, 151.25)
