"""Pictures in a document: photos of a visit, three in a row, and strokes of a pen. No Django."""

import json
from io import BytesIO
from math import isfinite
from typing import Final

from django.utils.translation import gettext
from PIL import Image

from scheduling.documents.paper import INK, LINE, SOFT, Paper, PhotoLine, Stroke

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


MOST_POINTS: Final = 20_000
"""More than this is no signature; it is not drawn."""


def read_strokes(text: str) -> tuple[list[Stroke], bool]:
    """Return pen strokes and whether the text could be read. Points are [x, y] or {"x": x, "y": y}."""
    if not text.strip():
        return [], True
    try:
        stored = json.loads(text)
        strokes = [[_point(point) for point in stroke] for stroke in stored]
    except (ValueError, TypeError, KeyError, AttributeError, IndexError):
        return [], False
    if sum(len(stroke) for stroke in strokes) > MOST_POINTS:
        return [], False
    return [stroke for stroke in strokes if stroke], True


def draw_strokes(paper: Paper, strokes: list[Stroke], *, width: float, height: float) -> None:
    """Draw strokes into a field at the paper's place, as large as fits, in proportion. [mm]"""
    points = [point for stroke in strokes for point in stroke]
    if not points:
        return
    left, top = min(x for x, _ in points), min(y for _, y in points)
    wide = max(x for x, _ in points) - left
    high = max(y for _, y in points) - top
    scale = min(width / wide if wide else 1e9, height / high if high else 1e9, 1e6)
    at_x, at_y = paper.get_x(), paper.get_y()
    paper.set_draw_color(*INK)
    paper.set_line_width(0.45)
    for stroke in strokes:
        placed = [(at_x + (x - left) * scale, at_y + (y - top) * scale) for x, y in stroke]
        if len(placed) == 1:
            placed = [placed[0], (placed[0][0] + 0.2, placed[0][1])]
        paper.polyline(placed)


def _point(point: object) -> tuple[float, float]:
    if isinstance(point, dict):
        x, y = float(point["x"]), float(point["y"])
    else:
        x, y = float(point[0]), float(point[1])  # type: ignore[index]
    if not (isfinite(x) and isfinite(y)):
        raise ValueError("A point is somewhere.")
    return x, y
