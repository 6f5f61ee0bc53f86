"""How the treatment unit's charts look: Vega-Lite specifications as plain dictionaries.

The treatment unit's charts: from tested frames to a drawing with its words and its table.
"""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

import pandas as pd
from django.utils.safestring import SafeString
from django.utils.translation import gettext

from fleet.display.figures import digits, measure_for
from shared.drawing import BAD, FAN, FIRST, INK, SECOND, STRONG_LINE, TOLD, draw_once, says
from shared.measures import from_inside
from shared.translation import written

WIDTH: Final = 760
_CHANGE_MARK: Final = {"type": "rule", "color": INK, "strokeDash": [4, 3], "strokeWidth": 1.5}


def life_specification(values: list[dict], positions: list[str]) -> dict[str, Any]:
    """One row a position: wear, its limit, change-outs, today, and the fan of the forecast."""
    axis = {"format": ".0%", "values": [0, 0.5, 1], "title": None}
    y = {"type": "quantitative", "scale": {"domain": [0, 1.25], "clamp": True}, "axis": axis}
    layers = [
        _only("fan", {"type": "area", "color": FAN, "opacity": 0.7},
              {"y": {"field": "low", **y}, "y2": {"field": "high"}}),
        _once({"type": "rule", "color": BAD, "strokeWidth": 1.5}, {"y": {"datum": 1, **y}, "x": None}),
        _only("today", {"type": "rule", "color": STRONG_LINE}, {}),
        _only("change", _CHANGE_MARK, {}),
        _only("fan", {"type": "line", "color": FIRST, "strokeDash": [5, 4]},
              {"y": {"field": "y", **y}, **TOLD}),
        _only("wear", {"type": "line", "color": FIRST},
              {"y": {"field": "y", **y}, "detail": {"field": "part"}, **TOLD}),
    ]  # fmt: skip
    header = {
        "title": None, "labelFontSize": 12, "labelColor": INK, "labelOrient": "top", "labelAnchor": "start",
        "labelPadding": 2,
    }  # fmt: skip
    row = {"field": "position", "type": "nominal", "sort": positions, "header": header}
    return {
        "data": {"values": values},
        "facet": {"row": row},
        "spacing": 14,
        "spec": {"width": WIDTH, "height": 62, "encoding": {"x": _time("at")}, "layer": layers},
    }


def performance_specification(values: dict[str, Any], measure: str) -> dict[str, Any]:
    """Flow, normalised and as read, over salt passage."""
    changes = {
        "data": {"values": values["changes"]}, "mark": _CHANGE_MARK, "encoding": {"x": _time("at")},
    }  # fmt: skip
    panels = [_flow_panel(values, measure, changes)]
    if values["passage"]:
        panels.append(_passage_panel(values, changes))
    return {"vconcat": panels, "resolve": {"scale": {"x": "shared"}}}


def use_specification(bars: list[dict], measure: str) -> dict[str, Any]:
    """A bar a stretch between readings; misread stretches in another colour and with a cross."""
    box = {
        "x": _time("from"),
        "x2": {"field": "at"},
        "y": {"field": "y", "type": "quantitative", "title": measure},
        "y2": {"datum": 0},
        **TOLD,
    }
    misread = [{"filter": "datum.fault != ''"}]
    cross = {"type": "point", "shape": "cross", "color": INK, "filled": True, "size": 60, "yOffset": -8}
    return {
        "width": WIDTH,
        "height": 150,
        "data": {"values": bars},
        "layer": [
            {
                "mark": {"type": "rect", "color": FAN, "stroke": STRONG_LINE, "strokeWidth": 0.5},
                "encoding": box,
            },
            {"transform": misread, "mark": {"type": "rect", "color": SECOND}, "encoding": box},
            {"transform": misread, "mark": cross, "encoding": {"x": _time("at"), "y": box["y"]}},
        ],
    }


def _flow_panel(values: dict[str, Any], measure: str, changes: dict) -> dict[str, Any]:
    told = [row["y"] for row in (*values["points"], *values["lines"])]
    scale = {"zero": False, "domainMin": min(told) * 0.9}
    y = {
        "field": "y",
        "type": "quantitative",
        "title": gettext("flow, %(measure)s") % {"measure": measure},
        "scale": scale,
    }
    limit = {"test": "indexof(datum.word, 'limit') == 0", "value": BAD}
    rule = {
        "mark": {"type": "rule", "strokeWidth": 1.5},
        "encoding": {"y": y, "color": {"value": INK, "condition": limit}},
    }
    word = {
        "mark": {"type": "text", "align": "right", "dy": -6},
        "encoding": {"y": y, "x": {"value": WIDTH}, "text": {"field": "word"}},
    }
    points = {
        "data": {"values": values["points"]},
        "mark": {"type": "line", "point": {"size": 42, "filled": True}},
        "encoding": {
            "x": _time("at"),
            "y": y,
            "color": _by_what([FIRST, SECOND]),
            "strokeDash": _by_what([[1, 0], [4, 3]]),
            "shape": _by_what(["circle", "cross"]),
            **TOLD,
        },
    }
    lines = {"data": {"values": values["lines"]}, "layer": [rule, word]}
    return {"width": WIDTH, "height": 190, "layer": [changes, lines, points]}


def _passage_panel(values: dict[str, Any], changes: dict) -> dict[str, Any]:
    y = {
        "field": "y", "type": "quantitative", "title": gettext("salt passage, %"), "axis": {"tickCount": 4},
    }  # fmt: skip
    baseline = {
        "data": {"values": [{"y": values["passage_baseline"]}]},
        "mark": {"type": "rule", "color": INK},
        "encoding": {"y": y},
    }
    line = {
        "data": {"values": values["passage"]},
        "mark": {"type": "line", "color": FIRST, "point": {"color": FIRST}},
        "encoding": {"x": _time("at"), "y": y, **TOLD},
    }
    return {"width": WIDTH, "height": 80, "layer": [changes, baseline, line]}


def _time(name: str) -> dict[str, Any]:
    return {"field": name, "type": "temporal", "title": None, "axis": {"format": "%b %y", "grid": False}}


def _by_what(styles: list) -> dict[str, Any]:
    scale = {"domain": [gettext("normalised"), gettext("as read")], "range": styles}
    return {"field": "what", "type": "nominal", "scale": scale}


def _only(what: str, mark: dict, encoding: dict) -> dict[str, Any]:
    return {"transform": [{"filter": f"datum.what == '{what}'"}], "mark": mark, "encoding": encoding}


def _once(mark: dict, encoding: dict) -> dict[str, Any]:
    """One mark a row, not one for each of its values over each other."""
    return {"transform": [{"aggregate": [], "groupby": ["position"]}], "mark": mark, "encoding": encoding}


@dataclass(frozen=True)
class Chart:
    """One chart as a page shows it."""

    title: str
    caption: str
    svg: SafeString
    headings: list[str]
    rows: list[list[str]]


@dataclass(frozen=True)
class Fan:
    """How one part's wear is expected to go on."""

    position: str
    frame: pd.DataFrame
    """As from ``fleet.assessment.unit_history.forecast_fan``."""


def life_chart(
    wear: pd.DataFrame, changes: pd.DataFrame, fans: list[Fan], today: date, zone: str
) -> Chart | None:
    """Return wear of each position over time, one row each, with its limit, change-outs and forecast."""
    if wear.empty:
        return None
    positions = list(dict.fromkeys(wear["position"]))
    values = _wear_values(wear, changes, fans, zone)
    values += [{"what": "today", "position": name, "at": today.isoformat()} for name in positions]
    svg = draw_once(
        "life", [values, positions], lambda: life_specification(values, positions),
        description=_life_words(wear, positions),
    )  # fmt: skip
    shown = wear.sort_values(["position", "at"]).groupby("part_id", sort=False).tail(8)
    rows = [
        [row.position, row.kind, _day(row.at, zone), "–" if pd.isna(row.wear) else f"{row.wear:.0%}"]
        for row in shown.itertuples()
    ]
    return Chart(
        gettext("Life"),
        gettext(
            "Share of life used in each position, by whichever limit is ahead, each point from "
            "what was known by then. Red line: the limit. Dashed: change-outs. Fan: early to "
            "late forecast."
        ),
        svg,
        [gettext("Position"), gettext("Part"), gettext("Day"), gettext("Used")],
        rows,
    )


def performance_chart(
    series: pd.DataFrame, numbers: dict[str, Any], flow_limit: float, changes: list[datetime], zone: str,
    system: str,
) -> Chart | None:  # fmt: skip
    """Return raw beside normalised flow with baseline and limit, and salt passage below."""
    if series.empty:
        return None
    measure = measure_for("gpm", system)
    flow = [from_inside(value, measure) for value in series["normalised_flow_gpm"]]
    raw = [from_inside(value, measure) for value in series["raw_flow_gpm"]]
    at = [_local(moment, zone) for moment in series["at"]]
    baseline = numbers.get("baseline_flow_gpm")
    lines = []
    if baseline:
        shown = from_inside(baseline, measure)
        lines = [
            {"y": shown, "word": gettext("baseline")},
            {
                "y": shown * (1 - flow_limit),
                "word": gettext("limit, −%(flow_limit)s") % {"flow_limit": f"{flow_limit:.0%}"},
            },
        ]
    values = {
        "points": [
            *(
                {"at": a, "y": y, "what": what, **says(_words(a), f"{what} {digits(y)} {measure}")}
                for what, line in ((gettext("normalised"), flow), (gettext("as read"), raw))
                for a, y in zip(at, line, strict=True)
            ),
        ],
        "lines": lines,
        "changes": [{"at": _local(moment, zone)} for moment in changes],
        "passage": [
            {"at": a, "y": y * 100, **says(_words(a), gettext("salt passage %(y)s") % {"y": f"{y:.1%}"})}
            for a, y in zip(at, series["salt_passage"], strict=True)
            if y == y
        ],
        "passage_baseline": (numbers.get("baseline_salt_passage") or 0) * 100,
    }
    svg = draw_once(
        "performance", [values, measure.value], lambda: performance_specification(values, measure.value),
        description=_performance_words(numbers),
    )  # fmt: skip
    rows = [
        [
            _day(row.at, zone), digits(raw[i]), digits(flow[i]),
            "–" if pd.isna(row.salt_passage) else f"{row.salt_passage:.1%}",
            gettext("temperature only or some gauges") if row.is_simple_form else gettext("full"),
        ]
        for i, row in enumerate(series.itertuples())
    ][::-1]  # fmt: skip
    return Chart(
        gettext("Performance"),
        gettext(
            "Permeate flow as read, and brought to 25 °C and to one pressure and concentration. "
            "A drop of the read flow alone is cold water or low pressure, not the membrane. "
            "Dashed: membrane changed."
        ),
        svg,
        [
            gettext("Day"),
            gettext("Flow as read, %(measure)s") % {"measure": measure},
            gettext("Normalised, %(measure)s") % {"measure": measure},
            gettext("Salt passage"),
            gettext("Correction"),
        ],
        rows,
    )


def use_chart(use: pd.DataFrame, water: str, zone: str, system: str) -> Chart | None:
    """Return use between readings as steps, with misread stretches marked."""
    if use.empty:
        return None
    measure = measure_for("gal_per_day", system)
    bars = [
        {
            "from": _local(row.from_at, zone),
            "at": _local(row.at, zone),
            "y": max(from_inside(row.gal_per_day, measure), 0),
            "fault": row.fault,
            **says(
                gettext("%(from_at)s to %(at)s")
                % {"from_at": _day(row.from_at, zone), "at": _day(row.at, zone)},
                f"{digits(max(from_inside(row.gal_per_day, measure), 0))} {measure}",
                *filter(None, [row.fault]),
            ),
        }
        for row in use.itertuples()
    ]
    faulty = sum(1 for bar in bars if bar["fault"])
    svg = draw_once(
        "use",
        [bars, measure.value],
        lambda: use_specification(bars, measure.value),
        description=gettext(
            "Use of %(water)s water in %(bars)s stretches, %(faulty)s of them misread and mended."
        )
        % {"water": water, "bars": len(bars), "faulty": faulty},
    )
    rows = [
        [_day(row.from_at, zone), _day(row.at, zone), digits(bar["y"]), row.fault or "–"]
        for row, bar in zip(use.itertuples(), bars, strict=True)
    ][::-1]
    return Chart(
        gettext("Meter use"),
        gettext(
            "%(water)s water between readings. Orange with a cross: the meter misread there and "
            "the stretch was mended."
        )
        % {"water": water.capitalize()},
        svg,
        [
            gettext("From"),
            gettext("To"),
            gettext("Use, %(measure)s") % {"measure": measure},
            gettext("Meter fault"),
        ],
        rows,
    )


def _wear_values(wear: pd.DataFrame, changes: pd.DataFrame, fans: list[Fan], zone: str) -> list[dict]:
    values = [
        {
            "what": "wear",
            "position": row.position,
            "part": row.part_id,
            "at": _local(row.at, zone),
            "y": round(row.wear, 4),
            **says(
                row.position,
                _day(row.at, zone),
                gettext("%(wear)s of its life") % {"wear": f"{row.wear:.0%}"},
            ),
        }
        for row in wear.itertuples()
        if row.wear == row.wear
    ]
    values += [
        {"what": "change", "position": row.position, "at": _local(row.at, zone)}
        for row in changes.itertuples()
    ]
    for fan in fans:
        values += [
            {
                "what": "fan",
                "position": fan.position,
                "at": row.on.isoformat(),
                "low": round(row.low, 4),
                "high": round(row.high, 4),
                "y": round(row.likely, 4),
                **says(
                    fan.position,
                    f"{row.on.day} {written(row.on, '%b %Y')}",
                    gettext("likely %(likely)s") % {"likely": f"{row.likely:.0%}"},
                    gettext("between %(low)s and %(high)s")
                    % {"low": f"{row.low:.0%}", "high": f"{row.high:.0%}"},
                ),
            }
            for row in fan.frame.itertuples()
        ]
    return values


def _life_words(wear: pd.DataFrame, positions: list[str]) -> str:
    last = wear.sort_values("at").groupby("position")["wear"].last()
    told = ", ".join(f"{name} {last[name]:.0%}" for name in positions if last[name] == last[name])
    return gettext("Share of life used by position over time. Now: %(told)s.") % {"told": told}


def _performance_words(numbers: dict[str, Any]) -> str:
    now, raw = numbers.get("flow_change"), numbers.get("raw_flow_change")
    if now is None:
        return gettext(
            "Permeate flow over time, as read and normalised. There is no baseline to compare with yet."
        )
    read = gettext(", as read %(raw)s") % {"raw": f"{raw:+.0%}"} if raw is not None else ""
    return gettext("Permeate flow over time. Against the baseline: normalised %(now)s%(read)s.") % {
        "now": f"{now:+.0%}",
        "read": read,
    }


def _local(moment: datetime, zone: str) -> str:
    return pd.Timestamp(moment).tz_convert(ZoneInfo(zone)).strftime("%Y-%m-%dT%H:%M")


def _words(local: str) -> str:
    moment = datetime.fromisoformat(local)
    return f"{moment.day} {written(moment, '%b %Y')}"


def _day(moment: datetime, zone: str) -> str:
    local = pd.Timestamp(moment).tz_convert(ZoneInfo(zone))
    return f"{local.day} {written(local, '%b %Y')}"
