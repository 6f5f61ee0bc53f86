"""The treatment unit's charts: from tested frames to a drawing with its words and its table."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd
from django.utils.safestring import SafeString
from django.utils.translation import gettext

from fleet.chart_specifications import life_specification, performance_specification, use_specification
from fleet.showing import digits, measure_for
from shared.drawing import draw_once, says
from shared.measures import from_inside
from shared.told import written


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
    """As from ``fleet.queries.unit_history.forecast_fan``."""


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
