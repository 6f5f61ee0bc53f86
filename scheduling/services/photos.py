"""Keeps photos of a close-out. Sending one again changes nothing."""

import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from django.core.files.base import ContentFile
from django.db import IntegrityError, transaction

from scheduling.models import CloseOut, CloseOutPhoto
from scheduling.photo_files import FIELD, clean_photo, place_of
from shared.errors import CannotDo

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
    """Return the photo ready to be kept; nothing is written. Raises CannotDo for what is no photo.

    Its place, as told beside it or within it, is passed on only where the company keeps places.
    """
    is_believed = taken_at is not None and taken_at <= now + CLOCK_LEEWAY
    clean = clean_photo(raw)
    where = (place or place_of(raw)) if keeps_place else None
    return CheckedPhoto(client_id, clean, taken_at if is_believed else None, where)


def close_out_of(client_id: uuid.UUID, *, person_id: int) -> CloseOut | None:
    """Return the close-out with this number if this person did it, else None."""
    return CloseOut.objects.filter(client_id=client_id, technician__person_id=person_id).first()


def known_photo(close_out: CloseOut, client_id: uuid.UUID) -> CloseOutPhoto | None:
    """Return the photo received before under this number, if any.

    Raises CannotDo when the number is that of a photo of another close-out.
    """
    row = CloseOutPhoto.objects.filter(client_id=client_id).first()
    if row is not None and row.close_out_id != close_out.pk:
        raise CannotDo(
            "A photo with the same number belongs to another close-out.",
            remedy="Take this one again, it then gets a number of its own.",
            field=FIELD,
        )
    return row


def keep_photo(close_out: CloseOut, photo: CheckedPhoto) -> CloseOutPhoto:
    """Store a checked photo with its close-out; the same number again returns what stands.

    Raises CannotDo, with nothing kept, when the close-out has 30 photos or the number is another's.
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
        raise CannotDo(
            f"This close-out has {MOST_PHOTOS} photos already.",
            remedy="Send the office the rest another way.",
            field=FIELD,
        )
    row.save()
    return row
