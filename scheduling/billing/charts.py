"""The owner's charts: plain rows to a drawing with its words and the table behind it.

The owner's further charts: three years of recurring revenue, what the coming months ask for.
"""

from decimal import Decimal
from typing import Any, Final

from django.utils.translation import gettext

from fleet.display.charts import Chart
from scheduling.billing.bridge import Bridge, MonthMoney
from scheduling.billing.forecast import Forecast
from scheduling.billing.margin import SiteMargin
from shared.drawing import BAD, FIRST, INK, SECOND, STRONG_LINE, THIRD, TOLD, draw_once, says
from shared.translation import written

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
            **says(written(one.month, "%b %Y"), f"{what.lower()} {money(amount)}"),
        }
        for one in shown
        for what, amount in ((gettext("Recurring"), one.recurring), (gettext("Earned"), one.earned))
    ]
    first, last = shown[0], shown[-1]
    svg = draw_once(
        "three years of revenue",
        values,
        lambda: _lines(values),
        description=(
            gettext(
                "Recurring revenue a month went from %(recurring)s in %(month)s to %(recurring2)s in "
                "%(month2)s."
            )
            % {
                "recurring": money(first.recurring),
                "month": written(first.month, "%B %Y"),
                "recurring2": money(last.recurring),
                "month2": written(last.month, "%B %Y"),
            }
        ),
    )
    return Chart(
        gettext("Three years"),
        gettext(
            "Recurring: what plans bring per month at the month's end. Earned: what was entered, "
            "with one-off work and corrections."
        ),
        svg,
        [gettext("Month"), gettext("Recurring"), gettext("Earned")],
        [[written(one.month, "%b %Y"), money(one.recurring), money(one.earned)] for one in reversed(shown)],
    )


def _lines(values: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "width": WIDTH,
        "height": HEIGHT,
        "data": {"values": values},
        "mark": {"type": "line"},
        "encoding": {
            "x": {
                "field": "month",
                "type": "temporal",
                "timeUnit": "utcyearmonth",
                "title": None,
                "axis": {"format": "%b %y", "labelAngle": 0, "grid": False, "tickCount": 6},
            },
            "y": {
                "field": "amount",
                "type": "quantitative",
                "title": None,
                "scale": {"zero": False},
                "axis": {"format": ",.0f", "tickCount": 5},
            },
            "color": {
                "field": "what",
                "type": "nominal",
                "scale": {"domain": [gettext("Recurring"), gettext("Earned")], "range": [FIRST, SECOND]},
            },
            "strokeDash": {
                "field": "what",
                "type": "nominal",
                "scale": {"domain": [gettext("Recurring"), gettext("Earned")], "range": [[1, 0], [5, 3]]},
            },
            **TOLD,
        },
    }


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
                written(one.month, "%b %Y"),
                gettext("expected %(changes)s") % {"changes": f"{one.changes:,.0f}"},
                gettext("enough 9 in 10: %(changes_high)s") % {"changes_high": f"{one.changes_high:,}"},
            ),
        }
        for one in found.months
    ]
    svg = draw_once(
        "changes ahead",
        values,
        lambda: _bars_with_high(values),
        description=gettext("Part changes ahead: ")
        + ", ".join(
            gettext("%(month)s %(changes)s, at most %(changes_high)s")
            % {
                "month": written(one.month, "%B"),
                "changes": f"{one.changes:.0f}",
                "changes_high": one.changes_high,
            }
            for one in found.months
        ),
    )
    return Chart(
        gettext("Part changes ahead"),
        gettext(
            "Bars: expected changes. Ticks: enough nine times in ten. The first month is what is "
            "left of it, with what is overdue."
        ),
        svg,
        [
            gettext("Month"),
            gettext("Expected"),
            gettext("Enough 9 in 10"),
            gettext("Visits"),
            gettext("Hours"),
        ],
        [
            [
                written(one.month, "%b %Y"),
                f"{one.changes:,.0f}",
                f"{one.changes_high:,}",
                f"{one.visits:,.0f}",
                f"{one.hours:,.0f}",
            ]
            for one in found.months
        ],
    )


def _bars_with_high(values: list[dict[str, Any]]) -> dict[str, Any]:
    x = {
        "field": "month",
        "type": "ordinal",
        "timeUnit": "utcyearmonth",
        "title": None,
        "axis": {"format": "%b %y", "labelAngle": 0},
    }
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
            ((gettext("Labour"), row.labour), (gettext("Drive"), row.drive), (gettext("Parts"), row.parts))
        )
    ]
    svg = draw_once(
        "dearest sites", values, lambda: _stacked(values, [row.site_name for row in shown]),
        description=gettext("Sites that cost most: ")
        + ", ".join(f"{row.site_name} {money(row.cost)}" for row in shown[:5]),
    )  # fmt: skip
    return Chart(
        gettext("Sites that cost most"),
        gettext("What serving them cost in the period: labour, share of drives, parts."),
        svg,
        [
            gettext("Site"),
            gettext("Labour"),
            gettext("Drive"),
            gettext("Parts"),
            gettext("Together"),
            gettext("Earned"),
        ],
        [
            [
                row.site_name,
                money(row.labour),
                money(row.drive),
                money(row.parts),
                money(row.cost),
                money(row.revenue),
            ]
            for row in shown
        ],
    )


def _stacked(values: list[dict[str, Any]], sites: list[str]) -> dict[str, Any]:
    return {
        "width": WIDTH - 160,
        "height": {"step": 22},
        "data": {"values": values},
        "mark": {"type": "bar", "stroke": STRONG_LINE, "strokeWidth": 0.5},
        "encoding": {
            "y": {
                "field": "site",
                "type": "nominal",
                "sort": sites,
                "title": None,
                "axis": {"labelLimit": 220},
            },
            "x": {
                "field": "amount",
                "type": "quantitative",
                "title": None,
                "axis": {"format": ",.0f", "tickCount": 5},
            },
            "color": {
                "field": "what",
                "type": "nominal",
                "scale": {
                    "domain": [gettext("Labour"), gettext("Drive"), gettext("Parts")],
                    "range": [FIRST, SECOND, THIRD],
                },
            },
            "order": {"field": "order", "type": "quantitative"},
            **TOLD,
        },
    }
