"""Looks at what claims to be a photo and makes a clean one of it. No database, no Django.

Only the picture itself passes: place, time, camera, comments and whatever was hidden behind it stay outside.
"""

import struct
import zlib
from collections.abc import Sequence
from io import BytesIO
from typing import Final

from PIL import ExifTags, Image, ImageOps

from shared.errors import CannotDo

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

    Raises CannotDo, with its remedy, for what is empty, larger than 8 MB or 40 megapixels, damaged, or no
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
        raise CannotDo(
            "This is no readable photo.",
            remedy="Send a JPEG, PNG or WebP; take the photo again.",
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


def too_large() -> CannotDo:
    """Return the refusal of a file that is too large."""
    return CannotDo(
        f"The photo is larger than {MOST_BYTES // 1024**2} MB.",
        remedy="Take it again at a lower resolution.",
        field=FIELD,
    )


def _too_many_pixels() -> CannotDo:
    return CannotDo(
        f"The photo has more than {MOST_PIXELS // 1_000_000} megapixels.",
        remedy="Take it again at a lower resolution.",
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
