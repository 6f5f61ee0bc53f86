"""Looks at what claims to be a photo and makes a clean one of it. No database, no Django.

Keeps photos of a close-out. Sending one again changes nothing.

Only the picture itself passes: place, time, camera, comments and whatever was hidden behind it stay outside.
"""

import struct
import uuid
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from io import BytesIO
from typing import Final

from django.core.files.base import ContentFile
from django.db import IntegrityError, transaction
from django.db.models import Q
from PIL import ExifTags, Image, ImageOps

from scheduling.models import CloseOut, CloseOutPhoto
from shared.errors import DomainError
from shared.messages import message

MOST_BYTES: Final = 8 * 1024 * 1024
MOST_PIXELS: Final = 40_000_000
LONGEST_SIDE_PX: Final = 1600
FORMATS: Final = ("JPEG", "PNG", "WEBP")
QUALITY: Final = 85
FIELD: Final = "photos"
PLACE_TAGS: Final = (1, 2, 3, 4)
"""Of an EXIF position: north or south, latitude, east or west, longitude (CIPA DC-008, GPS attributes)."""
NO_IMAGE: Final = (
    OSError, SyntaxError, ValueError, ArithmeticError, LookupError, TypeError, EOFError,
    struct.error, zlib.error,
)  # fmt: skip
"""What Pillow's readers raise for files that are no image, cut short, or made to hurt."""


def clean_photo(raw: bytes) -> bytes:
    """Return a photo as JPEG, upright, at most 1600 px a side, without anything but the picture.

    Raises DomainError, with its remedy, for what is empty, larger than 8 MB or 40 megapixels, damaged, or no
    JPEG, PNG or WebP by content, whatever it is called.
    """
    if len(raw) > MOST_BYTES:
        raise too_large()
    try:
        _verify(raw)
        return _re_encoded(raw)
    except (Image.DecompressionBombError, Image.DecompressionBombWarning):
        raise _too_many_pixels() from None
    except NO_IMAGE:
        raise DomainError(
            message("This is no readable photo."),
            remedy=message("Send a JPEG, PNG or WebP; take the photo again."),
            field=FIELD,
        ) from None


def place_of(raw: bytes) -> tuple[float, float] | None:
    """Return where a photo says it was taken, latitude and longitude [°], or None. Never raises."""
    try:
        with Image.open(BytesIO(raw), formats=FORMATS) as image:
            told = image.getexif().get_ifd(ExifTags.IFD.GPSInfo)
        north, latitude, east, longitude = (told[tag] for tag in PLACE_TAGS)
        place = _degrees(latitude, north == "S"), _degrees(longitude, east == "W")
    except (*NO_IMAGE, Image.DecompressionBombError, Image.DecompressionBombWarning):
        return None
    return place if is_on_earth(*place) else None


def is_on_earth(latitude: float, longitude: float) -> bool:
    """Say whether a place can be one; not a number is none."""
    return abs(latitude) <= 90 and abs(longitude) <= 180


def _degrees(parts: Sequence[float], is_negative: bool) -> float:
    degrees, minutes, seconds = (float(part) for part in parts)
    return (degrees + minutes / 60 + seconds / 3600) * (-1 if is_negative else 1)


def too_large() -> DomainError:
    """Return the refusal of a file that is too large."""
    return DomainError(
        message("The photo is larger than {most_bytes} MB.", most_bytes=MOST_BYTES // 1024**2),
        remedy=message("Take it again at a lower resolution."),
        field=FIELD,
    )


def _too_many_pixels() -> DomainError:
    return DomainError(
        message("The photo has more than {most_pixels} megapixels.", most_pixels=MOST_PIXELS // 1000000),
        remedy=message("Take it again at a lower resolution."),
        field=FIELD,
    )


def _verify(raw: bytes) -> None:
    """Check size and structure before anything is unpacked."""
    with Image.open(BytesIO(raw), formats=FORMATS) as image:
        if image.width * image.height > MOST_PIXELS:
            raise _too_many_pixels()
        image.verify()


def _re_encoded(raw: bytes) -> bytes:
    with Image.open(BytesIO(raw), formats=FORMATS) as image:
        image.draft("RGB", (LONGEST_SIDE_PX, LONGEST_SIDE_PX))
        upright = ImageOps.exif_transpose(image).convert("RGBA")
        upright.thumbnail((LONGEST_SIDE_PX, LONGEST_SIDE_PX))
        picture = Image.new("RGB", upright.size, "white")
        picture.paste(upright, mask=upright.getchannel("A"))
    out = BytesIO()
    picture.save(out, "JPEG", quality=QUALITY, optimize=True)
    return out.getvalue()


MOST_PHOTOS: Final = 30
"""More photos than this at one close-out are a slip."""
CLOCK_LEEWAY: Final = timedelta(days=1)
"""A phone's clock may be this far ahead; a time beyond it is not believed."""


@dataclass(frozen=True)
class CheckedPhoto:
    """A photo found good and made clean, with the number that makes sending it twice harmless."""

    client_id: uuid.UUID
    jpeg: bytes
    taken_at: datetime | None = None
    place: tuple[float, float] | None = None


def check_photo(
    raw: bytes,
    *,
    client_id: uuid.UUID,
    taken_at: datetime | None,
    now: datetime,
    place: tuple[float, float] | None = None,
    keeps_place: bool = False,
) -> CheckedPhoto:
    """Return the photo ready to be kept; nothing is written. Raises DomainError for what is no photo.

    Its place, as told beside it or within it, is passed on only where the company keeps places.
    """
    is_believed = taken_at is not None and taken_at <= now + CLOCK_LEEWAY
    clean = clean_photo(raw)
    where = (place or place_of(raw)) if keeps_place else None
    return CheckedPhoto(client_id, clean, taken_at if is_believed else None, where)


def close_out_of(client_id: uuid.UUID, *, person_id: int) -> CloseOut | None:
    """Return what keeps the photos of a visit or close-out with this number if this person did it, else None.

    A visit's photos are kept with the first of its orders.
    """
    own = CloseOut.objects.filter(technician__person_id=person_id)
    return own.filter(Q(client_id=client_id) | Q(visit__client_id=client_id)).order_by("pk").first()


def known_photo(close_out: CloseOut, client_id: uuid.UUID) -> CloseOutPhoto | None:
    """Return the photo received before under this number, if any.

    Raises DomainError when the number is that of a photo of another close-out.
    """
    row = CloseOutPhoto.objects.filter(client_id=client_id).first()
    if row is not None and row.close_out_id != close_out.pk:
        raise DomainError(
            message("A photo with the same number belongs to another close-out."),
            remedy=message("Take this one again, it then gets a number of its own."),
            field=FIELD,
        )
    return row


def keep_photo(close_out: CloseOut, photo: CheckedPhoto) -> CloseOutPhoto:
    """Store a checked photo with its close-out; the same number again returns what stands.

    Raises DomainError, with nothing kept, when the close-out has 30 photos or the number is another's.
    """
    known = known_photo(close_out, photo.client_id)
    if known is not None:
        return known
    row = CloseOutPhoto(close_out=close_out, client_id=photo.client_id, taken_at=photo.taken_at)
    if photo.place:
        row.latitude, row.longitude = photo.place
    row.image.save(f"{uuid.uuid4().hex}.jpg", ContentFile(photo.jpeg), save=False)
    try:
        return _write(row)
    except BaseException as error:
        row.image.delete(save=False)
        known = known_photo(close_out, photo.client_id) if isinstance(error, IntegrityError) else None
        if known is not None:
            return known
        raise


@transaction.atomic
def _write(row: CloseOutPhoto) -> CloseOutPhoto:
    """Write the row; whoever sends another photo of the same close-out waits, so that all are counted."""
    CloseOut.objects.select_for_update(of=("self",)).get(pk=row.close_out_id)
    if CloseOutPhoto.objects.filter(close_out_id=row.close_out_id).count() >= MOST_PHOTOS:
        raise DomainError(
            message("This close-out has {most_photos} photos already.", most_photos=MOST_PHOTOS),
            remedy=message("Send the office the rest another way."),
            field=FIELD,
        )
    row.save()
    return row
