"""Made-up photos for tests: harmless ones with a place in them, and hostile ones."""

import struct
import zlib
from io import BytesIO

from PIL import Image

PLACE = (41 + 35 / 60 + 12 / 3600, -(93 + 37 / 60 + 30 / 3600))
"""Where the photos of ``jpeg`` say they were taken. [°]"""
ORIENTATION, GPS_FOLDER, LATITUDE, MAKER = 0x0112, 0x8825, 2, 0x010F


def jpeg(width: int = 400, height: int = 300, *, colour: str = "teal", orientation: int = 1) -> bytes:
    """A JPEG as a phone writes it: with a maker, a place and a comment."""
    exif = Image.Exif()
    exif[MAKER] = "SECRETMAKER"
    exif[ORIENTATION] = orientation
    exif.get_ifd(GPS_FOLDER).update({1: "N", LATITUDE: (41.0, 35.0, 12.0), 3: "W", 4: (93.0, 37.0, 30.0)})
    out = BytesIO()
    Image.new("RGB", (width, height), colour).save(out, "JPEG", exif=exif, comment=b"SECRETCOMMENT")
    return out.getvalue()


def picture(form: str, mode: str = "RGB", size: tuple[int, int] = (40, 30)) -> bytes:
    """A small picture in another format."""
    out = BytesIO()
    Image.new(mode, size).save(out, form)
    return out.getvalue()


def png_that_claims(width: int, height: int) -> bytes:
    """A few bytes that say they are a huge picture."""

    def chunk(kind: bytes, content: bytes) -> bytes:
        check = zlib.crc32(kind + content)
        return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", check)

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(b"\0" * 9))
        + chunk(b"IEND", b"")
    )
