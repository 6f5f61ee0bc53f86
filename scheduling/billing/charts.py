"""The owner's charts: plain rows to a drawing with its words and the table behind it."""

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
SITES_DRAWN: Final = 12


def money(amount: Decimal) -> str:
    """Write an amount with its cents and a true minus."""
    return f"{amount:,.2f}".replace("-", "−")


def _drawn(values: list[dict], **more: Any) -> dict[str, Any]:
    return {"width": WIDTH, "height": HEIGHT, "data": {"values": values}} | more


def _by_month(kind: str, **axis: Any) -> dict[str, Any]:
    return {"field": "month", "type": kind, "timeUnit": "utcyearmonth", "title": None,
            "axis": {"format": "%b %y", "labelAngle": 0, **axis}}  # fmt: skip


def _quantity(field: str = "", **more: Any) -> dict[str, Any]:
    axis = {"axis": {"format": ",.0f", "tickCount": 5}}
    return {**({"field": field} if field else {}), "type": "quantitative", "title": None, **axis, **more}


def _by_what(domain: list[str], styles: list, **more: Any) -> dict[str, Any]:
    return {"field": "what", "type": "nominal", "scale": {"domain": domain, "range": styles}, **more}


def _month_table(months: list[MonthMoney]) -> dict[str, Any]:
    """Return headings and rows of the table behind recurring and earned revenue, the newest first."""
    return {
        "headings": [gettext("Month"), gettext("Recurring"), gettext("Earned")],
        "rows": [
            [written(month.month, "%b %Y"), money(month.recurring), money(month.earned)]
            for month in reversed(months)
        ],
    }


def recurring_and_earned(months: list[MonthMoney]) -> Chart | None:
    """Return recurring revenue as a line beside what was earned as bars; None before there is any."""
    if not any(month.recurring or month.earned for month in months):
        return None
    values = [
        {
            "month": f"{month.month:%Y-%m-%d}",
            "recurring": float(month.recurring),
            "earned": float(month.earned),
            **says(
                written(month.month, "%b %Y"),
                gettext("recurring %(recurring)s") % {"recurring": money(month.recurring)},
                gettext("earned %(earned)s") % {"earned": money(month.earned)},
            ),
        }
        for month in months
    ]

    def specification() -> dict[str, Any]:
        x = _by_month("temporal", grid=False, tickCount=7)
        color = _by_what([gettext("Recurring"), gettext("Earned")], [FIRST, SECOND])
        return _drawn(values, layer=[
            {"transform": [{"calculate": "'Earned'", "as": "what"}],
             "mark": {"type": "bar", "fillOpacity": 0.35, "strokeWidth": 1, "width": {"band": 0.6}},
             "encoding": {"x": x, "y": _quantity("earned"), "color": color, "stroke": {"value": SECOND},
                          **TOLD}},
            {"transform": [{"calculate": "'Recurring'", "as": "what"}],
             "mark": {"type": "line", "point": {"filled": True, "size": 45}},
             "encoding": {"x": {**x, "bandPosition": 0.5}, "y": _quantity("recurring"), "color": color,
                          **TOLD}},
        ])  # fmt: skip

    last = months[-1]
    description = gettext(
        "Thirteen months of revenue. %(month)s: recurring %(recurring)s, earned %(earned)s."
    ) % {
        "month": written(last.month, "%B %Y"), "recurring": money(last.recurring),
        "earned": money(last.earned),
    }  # fmt: skip
    return Chart(
        gettext("Month on month"),
        gettext(
            "Line: recurring revenue at the month's end. Bars: what was entered as earned in the "
            "month, one-off work and corrections included."
        ),
        draw_once("month on month", values, specification, description=description),
        **_month_table(months),
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

    def bar(word: str, low: Decimal, high: Decimal, what: str) -> dict[str, Any]:
        change = high - low
        label = money(high) if what == "total" else ("+" if change > 0 else "") + money(change)
        return {"step": word, "from": float(low), "to": float(high), "what": what, "label": label,
                **says(word, label)}  # fmt: skip

    bars = [bar(gettext("Month before"), Decimal(0), moves.start, "total")]
    at = moves.start
    for word, amount in moves.steps:
        bars.append(bar(word, at, at + amount, "up" if amount >= 0 else "down"))
        at += amount
    return [*bars, bar(gettext("This month"), Decimal(0), at, "total")]


def _bridge_specification(bars: list[dict]) -> dict[str, Any]:
    order = [bar["step"] for bar in bars]
    lowest = min(bar[end] for bar in bars[1:-1] for end in ("from", "to"))
    highest = max(bar[end] for bar in bars for end in ("from", "to"))
    floor = max(0.0, lowest - 3 * max(highest - lowest, 1.0))
    values = [{**bar, "from": max(bar["from"], floor)} for bar in bars]
    color = _by_what(["total", "up", "down"], [STRONG_LINE, FIRST, BAD], legend=None)
    x = {"field": "step", "type": "nominal", "sort": order, "title": None, "axis": {"labelAngle": 0}}
    y = _quantity("from", scale={"domain": [floor, highest + 0.08 * (highest - floor)], "zero": False})
    return _drawn(values, layer=[
        {"mark": {"type": "bar", "width": {"band": 0.62}, "stroke": INK, "strokeWidth": 1},
         "encoding": {"x": x, "y": y, "y2": {"field": "to"}, "color": color, **TOLD}},
        {"transform": [{"calculate": "max(datum.from, datum.to)", "as": "top"}],
         "mark": {"type": "text", "dy": -8},
         "encoding": {"x": x, "y": {**y, "field": "top"}, "text": {"field": "label"}}},
    ])  # fmt: skip


def three_years(months: list[MonthMoney]) -> Chart | None:
    """Return recurring revenue and what was earned, month by month; None before there is any."""
    first = next((i for i, month in enumerate(months) if month.recurring or month.earned), None)
    if first is None:
        return None
    shown = months[first:]
    names = [gettext("Recurring"), gettext("Earned")]
    values = [
        {
            "month": f"{month.month:%Y-%m-%d}",
            "what": what,
            "amount": float(amount),
            **says(written(month.month, "%b %Y"), f"{what.lower()} {money(amount)}"),
        }
        for month in shown
        for what, amount in zip(names, (month.recurring, month.earned), strict=True)
    ]

    def specification() -> dict[str, Any]:
        return _drawn(values, mark={"type": "line"}, encoding={
            "x": _by_month("temporal", grid=False, tickCount=6),
            "y": _quantity("amount", scale={"zero": False}),
            "color": _by_what(names, [FIRST, SECOND]),
            "strokeDash": _by_what(names, [[1, 0], [5, 3]]),
            **TOLD,
        })  # fmt: skip

    description = gettext(
        "Recurring revenue a month went from %(recurring)s in %(month)s to %(recurring2)s in %(month2)s."
    )
    words = {
        "recurring": money(shown[0].recurring), "month": written(shown[0].month, "%B %Y"),
        "recurring2": money(shown[-1].recurring), "month2": written(shown[-1].month, "%B %Y"),
    }  # fmt: skip
    return Chart(
        gettext("Three years"),
        gettext(
            "Recurring: what plans bring per month at the month's end. Earned: what was entered, "
            "with one-off work and corrections."
        ),
        draw_once("three years of revenue", values, specification, description=description % words),
        **_month_table(shown),
    )


def changes_ahead(forecast: Forecast) -> Chart | None:
    """Return expected part changes by month with the number that is very likely enough."""
    if not any(month["changes"] for month in forecast.months):
        return None
    values = [
        {
            "month": f"{month['month']:%Y-%m-%d}",
            "mean": round(month["changes"], 1),
            "high": month["changes_high"],
            **says(
                written(month["month"], "%b %Y"),
                gettext("expected %(changes)s") % {"changes": f"{month['changes']:,.0f}"},
                gettext("enough 9 in 10: %(changes_high)s") % {"changes_high": f"{month['changes_high']:,}"},
            ),
        }
        for month in forecast.months
    ]

    def specification() -> dict[str, Any]:
        x = _by_month("ordinal")
        y = {"type": "quantitative", "title": None, "axis": {"tickCount": 5}}
        return _drawn(values, layer=[
            {"mark": {"type": "bar", "color": FIRST, "fillOpacity": 0.55, "width": {"band": 0.6}},
             "encoding": {"x": x, "y": {"field": "mean", **y}, **TOLD}},
            {"mark": {"type": "tick", "color": INK, "thickness": 2.5, "width": {"band": 0.6}},
             "encoding": {"x": x, "y": {"field": "high", **y}}},
        ])  # fmt: skip

    described = ", ".join(
        gettext("%(month)s %(changes)s, at most %(changes_high)s")
        % {"month": written(month["month"], "%B"), "changes": f"{month['changes']:.0f}",
           "changes_high": month["changes_high"]}
        for month in forecast.months
    )  # fmt: skip
    names = ("changes", "changes_high", "visits", "hours")
    return Chart(
        gettext("Part changes ahead"),
        gettext(
            "Bars: expected changes. Ticks: enough nine times in ten. The first month is what is "
            "left of it, with what is late."
        ),
        draw_once(
            "changes ahead", values, specification, description=gettext("Part changes ahead: ") + described
        ),
        [
            gettext("Month"),
            gettext("Expected"),
            gettext("Enough 9 in 10"),
            gettext("Visits"),
            gettext("Hours"),
        ],
        [
            [written(month["month"], "%b %Y"), *(f"{month[name]:,.0f}" for name in names)]
            for month in forecast.months
        ],
    )


def dearest_sites(sites: list[SiteMargin]) -> Chart | None:
    """Return what the sites that cost most cost, by labour, drive and parts."""
    dear = sorted((row for row in sites if row.cost), key=lambda row: (-row.cost, row.site_code))
    shown = dear[:SITES_DRAWN]
    if not shown:
        return None
    names = [gettext("Labour"), gettext("Drive"), gettext("Parts")]
    values = [
        {
            "site": row.site_name,
            "what": what,
            "amount": float(amount),
            "order": order,
            **says(row.site_name, f"{what.lower()} {money(amount)}"),
        }
        for row in shown
        for order, (what, amount) in enumerate(zip(names, (row.labour, row.drive, row.parts), strict=True))
    ]

    def specification() -> dict[str, Any]:
        size = {"width": WIDTH - 160, "height": {"step": 22}}
        bar = {"type": "bar", "stroke": STRONG_LINE, "strokeWidth": 0.5}
        return _drawn(values, **size, mark=bar, encoding={
            "y": {"field": "site", "type": "nominal", "sort": [row.site_name for row in shown], "title": None,
                  "axis": {"labelLimit": 220}},
            "x": _quantity("amount"),
            "color": _by_what(names, [FIRST, SECOND, THIRD]),
            "order": {"field": "order", "type": "quantitative"},
            **TOLD,
        })  # fmt: skip

    described = ", ".join(f"{row.site_name} {money(row.cost)}" for row in shown[:5])
    return Chart(
        gettext("Sites that cost most"),
        gettext("What serving them cost in the period: labour, share of drives, parts."),
        draw_once(
            "dearest sites", values, specification, description=gettext("Sites that cost most: ") + described
        ),
        [gettext("Site"), *names, gettext("Together"), gettext("Earned")],
        [
            [
                row.site_name,
                *(money(part) for part in (row.labour, row.drive, row.parts, row.cost, row.revenue)),
            ]
            for row in shown
        ],
    )
