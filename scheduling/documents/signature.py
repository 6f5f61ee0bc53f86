"""Reads pen strokes as the phone stores them, and draws them. No Django."""

import json
from math import isfinite
from typing import Final

from scheduling.documents.content import Stroke
from scheduling.documents.paper import INK, Paper

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
