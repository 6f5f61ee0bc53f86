"""The owner's further charts: three years of recurring revenue, what the coming months ask for."""

from typing import Any, Final

from fleet.charts import Chart
from scheduling.charts import HEIGHT, WIDTH, money
from scheduling.queries.bridge import MonthMoney
from scheduling.queries.cost_to_serve import SiteMargin
from scheduling.queries.forecast import Forecast
from shared.drawing import FIRST, INK, SECOND, STRONG_LINE, THIRD, TOLD, draw_once, says

SITES_DRAWN: Final = 12


def three_years(months: list[MonthMoney]) -> Chart | None:
    """Return recurring revenue and what was earned, month by month; None before there is any."""
    known = [one for one in months if one.recurring or one.earned]
    if not known:
        return None
    shown = months[months.index(known[0]) :]
    values = [
        {
            "month": f"{one.month:%Y-%m-%d}",
            "what": what,
            "amount": float(amount),
            **says(f"{one.month:%b %Y}", f"{what.lower()} {money(amount)}"),
        }
        for one in shown
        for what, amount in (("Recurring", one.recurring), ("Earned", one.earned))
    ]
    first, last = shown[0], shown[-1]
    svg = draw_once(
        "three years of revenue", values, lambda: _lines(values),
        description=(
            f"Recurring revenue a month went from {money(first.recurring)} in {first.month:%B %Y} "
            f"to {money(last.recurring)} in {last.month:%B %Y}."
        ),
    )  # fmt: skip
    return Chart(
        "Three years",
        "Recurring: what plans bring per month at the month's end. Earned: what was entered, with "
        "one-off work and corrections.",
        svg,
        ["Month", "Recurring", "Earned"],
        [[f"{one.month:%b %Y}", money(one.recurring), money(one.earned)] for one in reversed(shown)],
    )


def _lines(values: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "width": WIDTH,
        "height": HEIGHT,
        "data": {"values": values},
        "mark": {"type": "line"},
        "encoding": {
            "x": {"field": "month", "type": "temporal", "timeUnit": "utcyearmonth", "title": None,
                  "axis": {"format": "%b %y", "labelAngle": 0, "grid": False, "tickCount": 6}},
            "y": {"field": "amount", "type": "quantitative", "title": None, "scale": {"zero": False},
                  "axis": {"format": ",.0f", "tickCount": 5}},
            "color": {"field": "what", "type": "nominal",
                      "scale": {"domain": ["Recurring", "Earned"], "range": [FIRST, SECOND]}},
            "strokeDash": {"field": "what", "type": "nominal",
                           "scale": {"domain": ["Recurring", "Earned"], "range": [[1, 0], [5, 3]]}},
            **TOLD,
        },
    }  # fmt: skip


def changes_ahead(found: Forecast) -> Chart | None:
    """Return expected part changes by month with the number that is very likely enough."""
    if not any(month.changes for month in found.months):
        return None
    values = [
        {
            "month": f"{one.month:%Y-%m-%d}",
            "mean": round(one.changes, 1),
            "high": one.changes_high,
            **says(
                f"{one.month:%b %Y}", f"expected {one.changes:,.0f}", f"enough 9 in 10: {one.changes_high:,}"
            ),
        }
        for one in found.months
    ]
    svg = draw_once(
        "changes ahead", values, lambda: _bars_with_high(values),
        description="Part changes ahead: "
        + ", ".join(f"{one.month:%B} {one.changes:.0f}, at most {one.changes_high}" for one in found.months),
    )  # fmt: skip
    return Chart(
        "Part changes ahead",
        "Bars: expected changes. Ticks: enough nine times in ten. The first month is what is left of it, "
        "with what is overdue.",
        svg,
        ["Month", "Expected", "Enough 9 in 10", "Visits", "Hours"],
        [
            [f"{one.month:%b %Y}", f"{one.changes:,.0f}", f"{one.changes_high:,}", f"{one.visits:,.0f}",
             f"{one.hours:,.0f}"]
            for one in found.months
        ],
    )  # fmt: skip


def _bars_with_high(values: list[dict[str, Any]]) -> dict[str, Any]:
    x = {"field": "month", "type": "ordinal", "timeUnit": "utcyearmonth", "title": None,
         "axis": {"format": "%b %y", "labelAngle": 0}}  # fmt: skip
    y = {"type": "quantitative", "title": None, "axis": {"tickCount": 5}}
    return {
        "width": WIDTH,
        "height": HEIGHT,
        "data": {"values": values},
        "layer": [
            {"mark": {"type": "bar", "color": FIRST, "fillOpacity": 0.55, "width": {"band": 0.6}},
             "encoding": {"x": x, "y": {"field": "mean", **y}, **TOLD}},
            {"mark": {"type": "tick", "color": INK, "thickness": 2.5, "width": {"band": 0.6}},
             "encoding": {"x": x, "y": {"field": "high", **y}}},
        ],
    }  # fmt: skip


def dearest_sites(sites: list[SiteMargin]) -> Chart | None:
    """Return what the sites that cost most cost, by labour, drive and parts."""
    shown = sorted((row for row in sites if row.cost), key=lambda row: (-row.cost, row.site_code))[
        :SITES_DRAWN
    ]
    if not shown:
        return None
    values = [
        {
            "site": row.site_name,
            "what": what,
            "amount": float(amount),
            "order": order,
            **says(row.site_name, f"{what.lower()} {money(amount)}"),
        }
        for row in shown
        for order, (what, amount) in enumerate(
            (("Labour", row.labour), ("Drive", row.drive), ("Parts", row.parts))
        )
    ]
    svg = draw_once(
        "dearest sites", values, lambda: _stacked(values, [row.site_name for row in shown]),
        description="Sites that cost most: "
        + ", ".join(f"{row.site_name} {money(row.cost)}" for row in shown[:5]),
    )  # fmt: skip
    return Chart(
        "Sites that cost most",
        "What serving them cost in the period: labour, share of drives, parts.",
        svg,
        ["Site", "Labour", "Drive", "Parts", "Together", "Earned"],
        [
            [row.site_name, money(row.labour), money(row.drive), money(row.parts), money(row.cost),
             money(row.revenue)]
            for row in shown
        ],
    )  # fmt: skip


def _stacked(values: list[dict[str, Any]], sites: list[str]) -> dict[str, Any]:
    return {
        "width": WIDTH - 160,
        "height": {"step": 22},
        "data": {"values": values},
        "mark": {"type": "bar", "stroke": STRONG_LINE, "strokeWidth": 0.5},
        "encoding": {
            "y": {"field": "site", "type": "nominal", "sort": sites, "title": None,
                  "axis": {"labelLimit": 220}},
            "x": {"field": "amount", "type": "quantitative", "title": None,
                  "axis": {"format": ",.0f", "tickCount": 5}},
            "color": {"field": "what", "type": "nominal",
                      "scale": {"domain": ["Labour", "Drive", "Parts"], "range": [FIRST, SECOND, THIRD]}},
            "order": {"field": "order", "type": "quantitative"},
            **TOLD,
        },
    }  # fmt: skip
