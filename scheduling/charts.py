"""The owner's charts: plain rows to a drawing with its words and the table behind it."""

from decimal import Decimal
from typing import Any, Final

from django.utils.translation import gettext

from fleet.charts import Chart
from scheduling.queries.bridge import Bridge, MonthMoney
from shared.drawing import BAD, FIRST, INK, SECOND, STRONG_LINE, TOLD, draw_once, says
from shared.told import written

WIDTH: Final = 500
HEIGHT: Final = 220


def recurring_and_earned(months: list[MonthMoney]) -> Chart | None:
    """Return recurring revenue as a line beside what was earned as bars; None before there is any."""
    if not any(month.recurring or month.earned for month in months):
        return None
    values = [
        {
            "month": f"{one.month:%Y-%m-%d}",
            "recurring": float(one.recurring),
            "earned": float(one.earned),
            **says(
                written(one.month, "%b %Y"),
                gettext("recurring %(recurring)s") % {"recurring": money(one.recurring)},
                gettext("earned %(earned)s") % {"earned": money(one.earned)},
            ),
        }
        for one in months
    ]
    last = months[-1]
    svg = draw_once(
        "month on month",
        values,
        lambda: _trend_specification(values),
        description=(
            gettext("Thirteen months of revenue. %(month)s: recurring %(recurring)s, earned %(earned)s.")
            % {
                "month": written(last.month, "%B %Y"),
                "recurring": money(last.recurring),
                "earned": money(last.earned),
            }
        ),
    )
    return Chart(
        gettext("Month on month"),
        gettext(
            "Line: recurring revenue at the month's end. Bars: what was entered as earned in the "
            "month, one-off work and corrections included."
        ),
        svg,
        [gettext("Month"), gettext("Recurring"), gettext("Earned")],
        [[written(one.month, "%b %Y"), money(one.recurring), money(one.earned)] for one in reversed(months)],
    )


def bridge(moves: Bridge) -> Chart | None:
    """Return what moved recurring revenue, as steps from one month to the next; None without any."""
    if not (moves.start or moves.end):
        return None
    bars = bridge_bars(moves)
    svg = draw_once(
        "bridge",
        bars,
        lambda: _bridge_specification(bars),
        description=(
            gettext("Recurring revenue went from %(start)s to %(end)s: ")
            % {"start": money(moves.start), "end": money(moves.end)}
            + ", ".join(f"{word.lower()} {money(amount)}" for word, amount in moves.steps)
        ),
    )
    rows = [
        [gettext("Month before"), money(moves.start)],
        *([word, money(amount)] for word, amount in moves.steps),
        [gettext("This month"), money(moves.end)],
    ]
    return Chart(
        gettext("What moved it"),
        gettext("From the month before to this one, plan by plan. The steps add up to the cent."),
        svg,
        [gettext("Step"), gettext("Amount")],
        rows,
    )


def bridge_bars(moves: Bridge) -> list[dict[str, Any]]:
    """Return each bar with where it begins and ends; the last begins where the steps have led."""
    bars = [_bar(gettext("Month before"), Decimal(0), moves.start, "total")]
    at = moves.start
    for word, amount in moves.steps:
        bars.append(_bar(word, at, at + amount, "up" if amount >= 0 else "down"))
        at += amount
    bars.append(_bar(gettext("This month"), Decimal(0), at, "total"))
    return bars


def money(amount: Decimal) -> str:
    """Write an amount with its cents and a true minus."""
    return f"{amount:,.2f}".replace("-", "−")


def _bar(word: str, low: Decimal, high: Decimal, what: str) -> dict[str, Any]:
    change = high - low
    label = money(high) if what == "total" else ("+" if change > 0 else "") + money(change)
    return {
        "step": word,
        "from": float(low),
        "to": float(high),
        "what": what,
        "label": label,
        **says(word, label),
    }


def _trend_specification(values: list[dict]) -> dict[str, Any]:
    x = {"field": "month", "type": "temporal", "timeUnit": "utcyearmonth", "title": None,
         "axis": {"format": "%b %y", "labelAngle": 0, "grid": False, "tickCount": 7}}  # fmt: skip
    legend = {"domain": [gettext("Recurring"), gettext("Earned")], "range": [FIRST, SECOND]}
    y = {"type": "quantitative", "title": None, "axis": {"format": ",.0f", "tickCount": 5}}
    return {
        "width": WIDTH,
        "height": HEIGHT,
        "data": {"values": values},
        "layer": [
            {"transform": [{"calculate": "'Earned'", "as": "what"}],
             "mark": {"type": "bar", "fillOpacity": 0.35, "strokeWidth": 1, "width": {"band": 0.6}},
             "encoding": {"x": x, "y": {"field": "earned", **y},
                          "color": {"field": "what", "type": "nominal", "scale": legend},
                          "stroke": {"value": SECOND}, **TOLD}},
            {"transform": [{"calculate": "'Recurring'", "as": "what"}],
             "mark": {"type": "line", "point": {"filled": True, "size": 45}},
             "encoding": {"x": {**x, "bandPosition": 0.5}, "y": {"field": "recurring", **y}, **TOLD,
                          "color": {"field": "what", "type": "nominal", "scale": legend}}},
        ],
    }  # fmt: skip


def _bridge_specification(bars: list[dict]) -> dict[str, Any]:
    order = [bar["step"] for bar in bars]
    lowest = min(bar[end] for bar in bars[1:-1] for end in ("from", "to"))
    highest = max(bar[end] for bar in bars for end in ("from", "to"))
    floor = max(0.0, lowest - 3 * max(highest - lowest, 1.0))
    values = [{**bar, "from": max(bar["from"], floor)} for bar in bars]
    colours = {"domain": ["total", "up", "down"], "range": [STRONG_LINE, FIRST, BAD]}
    x = {"field": "step", "type": "nominal", "sort": order, "title": None, "axis": {"labelAngle": 0}}
    y = {"field": "from", "type": "quantitative", "title": None,
         "scale": {"domain": [floor, highest + 0.08 * (highest - floor)], "zero": False},
         "axis": {"format": ",.0f", "tickCount": 5}}  # fmt: skip
    return {
        "width": WIDTH,
        "height": HEIGHT,
        "data": {"values": values},
        "layer": [
            {"mark": {"type": "bar", "width": {"band": 0.62}, "stroke": INK, "strokeWidth": 1},
             "encoding": {"x": x, "y": y, "y2": {"field": "to"}, **TOLD,
                          "color": {"field": "what", "type": "nominal", "scale": colours, "legend": None}}},
            {"transform": [{"calculate": "max(datum.from, datum.to)", "as": "top"}],
             "mark": {"type": "text", "dy": -8},
             "encoding": {"x": x, "y": {**y, "field": "top"}, "text": {"field": "label"}}},
        ],
    }  # fmt: skip
