"""How the treatment unit's charts look: Vega-Lite specifications as plain dictionaries."""

from typing import Any, Final

from django.utils.translation import gettext

from shared.drawing import BAD, FAN, FIRST, INK, SECOND, STRONG_LINE, TOLD

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
