"""Photos of a visit in a document: small, three in a row, each with its caption. No Django."""

from io import BytesIO
from typing import Final

from django.utils.translation import gettext
from PIL import Image

from scheduling.documents.content import PhotoLine
from scheduling.documents.paper import LINE, SOFT, Paper

IN_A_ROW: Final = 3
GAP_MM: Final = 4
HEIGHT_MM: Final = 42
CAPTION_MM: Final = 9
LONGEST_SIDE_PX: Final = 600
"""Enough for a picture 5 cm wide in print, and 30 of them stay under 2 MB."""


def draw_photos(paper: Paper, photos: list[PhotoLine]) -> None:
    """Draw photos row by row; one that can't be read leaves an empty frame that says so."""
    width = (paper.epw - (IN_A_ROW - 1) * GAP_MM) / IN_A_ROW
    for start in range(0, len(photos), IN_A_ROW):
        if paper.will_page_break(HEIGHT_MM + CAPTION_MM):
            paper.add_page()
        top = paper.get_y()
        for column, photo in enumerate(photos[start : start + IN_A_ROW]):
            left = paper.l_margin + column * (width + GAP_MM)
            _draw(paper, photo, left, top, width)
        paper.set_xy(paper.l_margin, top + HEIGHT_MM + CAPTION_MM)
    paper.type()


def _draw(paper: Paper, photo: PhotoLine, left: float, top: float, width: float) -> None:
    paper.set_draw_color(*LINE)
    paper.set_line_width(0.2)
    paper.rect(left, top, width, HEIGHT_MM)
    small = _small(photo.jpeg) if photo.jpeg else None
    if small is not None:
        paper.image(
            small, left, top, width, HEIGHT_MM, keep_aspect_ratio=True, alt_text=paper.said(photo.caption)
        )
    paper.set_xy(left, top + HEIGHT_MM + 0.8)
    paper.type(7.5, colour=SOFT)
    told = (
        photo.caption
        if small is not None
        else gettext("%(caption)s. The picture's file can't be read.") % {"caption": photo.caption}
    )
    paper.multi_cell(width, 3.4, paper.said(told), align="L")


def _small(jpeg: bytes) -> BytesIO | None:
    out = BytesIO()
    try:
        with Image.open(BytesIO(jpeg), formats=["JPEG"]) as image:
            image.thumbnail((LONGEST_SIDE_PX, LONGEST_SIDE_PX))
            image.convert("RGB").save(out, "JPEG", quality=75)
    except (OSError, SyntaxError, ValueError):
        return None
    out.seek(0)
    return out
