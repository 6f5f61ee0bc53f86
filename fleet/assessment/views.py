"""Said against happened: how far the due dates may be trusted in this fleet.

The laws the program uses, where they hold and where they come from.
"""

from dataclasses import dataclass
from typing import Any

from django.contrib.auth.decorators import login_required
from django.core.cache import cache
from django.shortcuts import render
from django.utils import timezone
from django.utils.translation import gettext

from fleet.assessment.calibration import Calibration, calibration
from fleet.assessment.days import to_days
from fleet.science.laws import Standing
from fleet.science.sources import SHELVES
from shared.access import requires
from shared.drawing import BAD, FAN, FIRST, TOLD, draw_once, says
from shared.roles import Permission

KEEP_SECONDS = 6 * 3600
"""Removals come slowly; looking back is worth doing a few times a day."""


@dataclass(frozen=True)
class DrawnChart:
    """A picture with the table that says the same."""

    title: str
    caption: str
    svg: str
    headings: tuple[str, ...]
    rows: list[tuple[str, ...]]


@requires(Permission.SEE_FLEET)
def forecast_accuracy(request):
    """Show stated chances against what happened since."""
    now = timezone.now()
    found = cache.get_or_set("calibration", lambda: calibration(to_days(now)), KEEP_SECONDS)
    chart = _chart(found) if found.statements else None
    return render(request, "assessment/how_sure.html", {"found": found, "chart": chart})


def _chart(found: Calibration) -> DrawnChart:
    spoken = found.table[found.table["statements"] > 0]
    points = [
        {name: round(float(getattr(row, name)), 4) for name in ("said", "happened", "low", "high")}
        | says(
            gettext("said %(said)s") % {"said": f"{row.said:.0%}"},
            gettext("came true %(happened)s") % {"happened": f"{row.happened:.0%}"},
            gettext("%(statements)s parts") % {"statements": f"{row.statements:,}"},
        )
        for row in spoken.itertuples()
    ]
    return DrawnChart(
        title=gettext("Forecast and outcome"),
        caption=gettext(
            "Each mark: parts of which we said about this chance; the bar is the 95 % interval "
            "of what happened. On the line, what was said came true."
        ),
        svg=draw_once(
            "calibration",
            points,
            lambda: _specification(points),
            description=gettext("Chance stated against share that came true, with intervals"),
        ),
        headings=(
            gettext("We said"),
            gettext("Parts"),
            gettext("Came true"),
            # xgettext:no-python-format
            gettext("95 % interval"),
        ),
        rows=[
            (
                f"{row.said:.0%}",
                f"{row.statements:,}",
                f"{row.happened:.0%}",
                gettext("%(low)s to %(high)s") % {"low": f"{row.low:.0%}", "high": f"{row.high:.0%}"},
            )
            for row in spoken.itertuples()
        ],
    )


def _specification(points: list[dict]) -> dict[str, Any]:
    axis = {"format": ".0%"}
    x = {
        "type": "quantitative",
        "scale": {"domain": [0, 1]},
        "title": gettext("chance we said"),
        "axis": axis,
    }
    y = {
        "type": "quantitative",
        "scale": {"domain": [0, 1]},
        "title": gettext("share that came true"),
        "axis": axis,
    }
    line = {"values": [{"said": 0, "happened": 0}, {"said": 1, "happened": 1}]}
    return {
        "width": 270,
        "height": 320,
        "data": {"values": points},
        "layer": [
            {
                "data": line,
                "mark": {"type": "line", "color": BAD, "strokeDash": [4, 3]},
                "encoding": {"x": {"field": "said", **x}, "y": {"field": "happened", **y}},
            },
            {
                "mark": {"type": "rule", "color": FAN, "strokeWidth": 5},
                "encoding": {
                    "x": {"field": "said", **x},
                    "y": {"field": "low", **y},
                    "y2": {"field": "high"},
                },
            },
            {
                "mark": {"type": "point", "filled": True, "color": FIRST, "size": 70},
                "encoding": {"x": {"field": "said", **x}, "y": {"field": "happened", **y}, **TOLD},
            },
        ],
    }


STANDING_TONES = {
    Standing.PUBLISHED: "good",
    Standing.COMMON_PRACTICE: "info",
    Standing.FROM_MEMORY: "watch",
    Standing.OURS: "off",
}


@login_required
def methodology(request):
    """Show every law with its range, source and standing."""
    shelves = [
        (title, [(law, STANDING_TONES[law.standing]) for law in laws]) for title, laws in SHELVES.items()
    ]
    return render(request, "assessment/how_we_know.html", {"shelves": shelves})
