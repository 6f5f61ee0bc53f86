"""Draws charts as SVG, offline, once per content. Needs Django's cache, knows no room.

A chart is a Vega-Lite specification as plain dictionaries; vl-convert draws it, in one process for the whole
machine (``shared.chart_process``). Measured on two cores: 60 to
90 ms a chart warm, 0.8 s the first one of a process, 93 MB in the process that draws; from the cache under
1 ms. Building the same specification through altair took 23 to 44 ms more and half a second to import.
The SVG holds no inline style and no script, so it may stand in a page under the strict policy; colours are
attributes, which the style sheet overrides for dark screens by the very values below.
"""

import hashlib
import json
import re
from collections.abc import Callable
from typing import Any, Final

from django.conf import settings
from django.core.cache import caches
from django.utils.html import escape
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import get_language

from shared.chart_process import vegalite_to_svg

INK: Final = "#16232a"
FIRST, SECOND, THIRD, FOURTH = "#0b5a63", "#b3541e", "#5b4b9a", "#6c7a18"
FAN: Final = "#9cc5c6"
BAD: Final = "#a1261b"
LINE: Final = "#c9d0c8"
STRONG_LINE: Final = "#7b878a"
VERSION: Final = 2
"""Counts up when the look of every chart changes, so that old drawings are not found."""
TOLD: Final[dict[str, Any]] = {"description": {"field": "says"}}
"""Part of a mark's encoding: a mouse over it is told what its row says; the row holds ``says(...)``."""
_SAYS: Final = "says "
VEGA_LITE: Final = "6.1"
MONTH_NAMES: Final = {"es": "es-ES"}
"""Language to the renderer's own names of months; English needs none."""
CONFIG: Final[dict[str, Any]] = {
    "background": None,
    "font": "sans-serif",
    "view": {"stroke": None},
    "axis": {
        "labelFontSize": 12, "titleFontSize": 12, "titleFontWeight": "normal", "labelColor": INK,
        "titleColor": INK, "gridColor": LINE, "domainColor": STRONG_LINE, "tickColor": STRONG_LINE,
    },
    "legend": {
        "orient": "top", "labelFontSize": 12, "titleFontSize": 12, "labelColor": INK, "titleColor": INK,
        "symbolStrokeWidth": 2.5, "title": None,
    },
    "line": {"strokeWidth": 2},
    "text": {"fontSize": 12, "color": INK},
}  # fmt: skip


def says(*words: str) -> dict[str, str]:
    """Return the part of a row that a mouse over its mark is told, one line for each of the words."""
    return {"says": _SAYS + "; ".join(words)}


def draw_once(
    name: str, inputs: object, build: Callable[[], dict[str, Any]], *, description: str
) -> SafeString:
    """Return a chart's SVG, from the cache when the same content was drawn before.

    Parameters
    ----------
    name : str
        The kind of chart; with a new look it takes a new name.
    inputs : object
        Everything the drawing depends on, as what ``json`` can write (days and moments as text).
    build : callable
        Returns the Vega-Lite specification; called only when nothing is in the cache.
    description : str
        What a screen reader says instead of the picture.
    """
    language = get_language() or "en"
    content = json.dumps([VERSION, name, inputs, description, language], sort_keys=True, default=str)
    key = hashlib.sha256(content.encode()).hexdigest()
    kept = caches["drawings"].get(key)
    if kept is None:
        kept = _draw(build(), description, language)
        caches["drawings"].set(key, kept)
    return mark_safe(kept)


def _draw(specification: dict[str, Any], description: str, language: str) -> str:
    whole = {"config": CONFIG, **_with_points(specification)}
    svg = vegalite_to_svg(
        whole,
        folder=settings.CHART_FOLDER,
        vl_version=VEGA_LITE,
        time_format_locale=MONTH_NAMES.get(language),
    )
    # A mouse over a mark is told its values by the page's script, which reads them here.
    svg = re.sub(rf'aria-label="{_SAYS}([^"]*)"', r'data-says="\1"', svg)
    # One sentence is said in place of the picture; the table behind it holds the values.
    svg = re.sub(r' (role|aria-[a-z]+)="[^"]*"', "", svg)
    return svg.replace("<svg ", f'<svg role="img" aria-label="{escape(description)}" ', 1)


def _with_points(specification: dict[str, Any]) -> dict[str, Any]:
    """Give lines that tell their values unseen points, so that each of them can be pointed at."""
    made = dict(specification)
    for key in ("layer", "vconcat", "hconcat", "concat"):
        if key in made:
            made[key] = [_with_points(part) for part in made[key]]
    if isinstance(made.get("spec"), dict):
        made["spec"] = _with_points(made["spec"])
    mark = made.get("mark")
    mark = {"type": mark} if isinstance(mark, str) else mark
    is_told = "description" in made.get("encoding", {})
    if mark and is_told and mark.get("type") == "line" and "point" not in mark:
        made["mark"] = {**mark, "point": {"opacity": 0, "size": 150, "filled": True}}
    return made
