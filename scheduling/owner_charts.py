"""The owner's further charts: three years of recurring revenue, what the coming months ask for."""

from typing import Any, Final

from django.utils.translation import gettext

from fleet.charts import Chart
from scheduling.charts import HEIGHT, WIDTH, money
from scheduling.queries.bridge import MonthMoney
from scheduling.queries.cost_to_serve import SiteMargin
from scheduling.queries.forecast import Forecast
from shared.drawing import FIRST, INK, SECOND, STRONG_LINE, THIRD, TOLD, draw_once, says
from shared.told import written

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
