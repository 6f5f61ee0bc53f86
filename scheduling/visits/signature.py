"""Checks a signature as the phone sends it.

A stroke is a list of points [x, y]. Both run from 0 to 1000 in thousandths of the box's width, so that the
proportions stay; x to the right, y downwards.
"""

import json
from typing import Final

from shared.messages import message

FURTHEST: Final = 1000
MOST_STROKES: Final = 200
MOST_POINTS: Final = 4000
MOST_CHARACTERS: Final = 60_000
AGAIN: Final = message("Clear the box and have it signed again, or write the name only.")


def checked_strokes(text: str) -> str:
    """Return the strokes as JSON in one spelling; nothing drawn is an empty text.

    Raises ValueError, with the remedy, for anything that is no list of strokes or too much of it.
    """
    if not text.strip():
        return ""
    if len(text) > MOST_CHARACTERS:
        raise ValueError(f"The signature is longer than {MOST_CHARACTERS:,} characters. {AGAIN}")
    try:
        strokes = json.loads(text)
    except (ValueError, RecursionError):
        raise ValueError(f"The signature is not readable. {AGAIN}") from None
    if not isinstance(strokes, list) or not all(isinstance(stroke, list) for stroke in strokes):
        raise ValueError(f"The signature is no list of strokes. {AGAIN}")
    strokes = [stroke for stroke in strokes if stroke]
    if len(strokes) > MOST_STROKES or sum(map(len, strokes)) > MOST_POINTS:
        raise ValueError(
            f"The signature has more than {MOST_STROKES} strokes or {MOST_POINTS} points. {AGAIN}"
        )
    if not all(_is_point(point) for stroke in strokes for point in stroke):
        raise ValueError(f"The signature has points outside 0 to {FURTHEST}. {AGAIN}")
    whole = [[[round(x), round(y)] for x, y in stroke] for stroke in strokes]
    return json.dumps(whole, separators=(",", ":")) if whole else ""


def _is_point(point: object) -> bool:
    return isinstance(point, list) and len(point) == 2 and all(_is_place(value) for value in point)


def _is_place(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value <= FURTHEST
