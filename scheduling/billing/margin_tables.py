"""Lists of what sites cost, what is at risk and what the coming months ask for."""

from datetime import date
from typing import Any, Final

from django.template.defaultfilters import floatformat
from django.urls import reverse
from django.utils.formats import date_format
from django.utils.functional import lazy
from django.utils.html import format_html
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from fleet.table_columns import Day, Moment, Percent, Translated, mark
from fleet.templatetags.tapward import day, percent
from scheduling.billing.forecast import REORDER_MONTHS
from scheduling.billing.tables import address_of, amount, month_words, to_minute
from scheduling.orders.selectors import number_of
from shared.roles import Permission
from shared.tables import Column, Money, Number, Table


def _minutes(value: float) -> str:
    return gettext("%(n)s min") % {"n": floatformat(value, 0)}


def _outside(row: Any, page: dict) -> str:
    return gettext("%(outside_plan)s of %(close_outs)s") % {
        "outside_plan": row.outside_plan, "close_outs": row.close_outs,
    }  # fmt: skip


def _margin(row: Any, page: dict) -> str:
    loss = mark("bad", gettext("Loss")) if row.margin < 0 and row is not page["total"] else ""
    return format_html("{} {}", loss, amount(row.margin)) if loss else amount(row.margin)


def _parts(row: Any, page: dict) -> str:
    return gettext("unknown") if 0 < row.parts_put_in == row.parts_unknown else amount(row.parts)


def _unknown(row: Any, page: dict) -> str:
    return gettext("%(n)s of unknown cost") % {"n": row.parts_unknown} if row.parts_unknown else ""


MARGINS: Final = Table(
    _("Margin by site"),
    Column(_("Site code"), "site_code", only="file"),
    Column(_("Site"), "site_name", head=True, link=("site_page", "site_code"), under="customer"),
    Column(_("Customer"), "customer", only="file"),
    Column(_("Area"), "area", only="file"),
    Money(_("Earned"), "revenue", sums=True,
          link=lambda row, page: address_of(
              "revenue_entries", since=f"{page['found'].first_month:%Y-%m}",
              month=f"{page['found'].last_month:%Y-%m}", site=row.site_code),
          link_says=lambda row, page: gettext("%(revenue)s, entries of %(site_name)s") % {
              "revenue": amount(row.revenue), "site_name": row.site_name}),
    Column(_("Minutes on site"), "labour_minutes", only="file"),
    Money(_("Labour"), "labour", sums=True, under=lambda row, page: _minutes(row.labour_minutes)),
    Column(_("Minutes driven"), lambda row: round(row.drive_minutes, 1), only="file"),
    Money(_("Drive"), "drive", sums=True, under=lambda row, page: _minutes(row.drive_minutes)),
    Money(_("Parts"), "parts", in_file=_("Parts at cost"), sums=True, show=_parts, under=_unknown),
    Column(_("Parts of unknown cost"), "parts_unknown", only="file"),
    Money(_("Cost"), "cost", sums=True, link=("site_costs", "site_code"),
          link_says=lambda row, page: gettext("%(cost)s, what %(site_name)s cost") % {
              "cost": amount(row.cost), "site_name": row.site_name}),
    Money(_("Margin"), "margin", sums=True, show=_margin, under=lambda row, page: percent(row.margin_share)),
    Column(_("Close-outs"), "close_outs", only="file"),
    Number(_("Outside the plan"), "outside_plan", sums=True, show=_outside),
    total=_("All sites"),
)  # fmt: skip
_ORDER: Final = Column(
    _("Order"), "order_id", head=True, link=("work_order", "order_id"),
    show=lambda row, page: number_of(row.order_id) if row.order_id else gettext("not by an order"),
)  # fmt: skip
_COST: Final = Money(_("Cost"), "cost")
LABOUR: Final = Table(
    _("Labour"),
    _ORDER,
    Moment(_("Finished"), "finished_at", form=to_minute, css=""),
    Translated(_("Work"), "order__get_kind_display", label="",
         under=lambda row, page: gettext("outside the plan") if row.is_outside_plan else ""),
    Column(_("Technician"), "technician__name", label=""),
    Number(_("Minutes"), "minutes"),
    _COST,
    Column(_("Outside the plan"), lambda row: "yes" if row.is_outside_plan else "no", only="file"),
    beside_heading=True,
)  # fmt: skip
DRIVES: Final = Table(
    _("Shares of drives"),
    Day(_("Route"), "day", in_file=_("Day"), head=True, css="", link=("route", "route_id")),
    Column(_("Technician"), "technician", label=""),
    Number(_("Minutes"), lambda row: round(row["minutes"], 1), places=1),
    _COST,
    beside_heading=True,
)
PARTS_PUT_IN: Final = Table(
    _("Parts put in"),
    _ORDER,
    Moment(_("Installed"), "installed_at", form=to_minute, css=""),
    Column(_("Treatment unit"), "treatment_unit__serial", label="",
           link=("treatment_unit", "treatment_unit__serial")),
    Column(_("Code"), "kind__code", only="file"),
    Column(_("Part"), "kind__name", label="", under="kind__code"),
    Money(_("Cost"), "cost", empty=_("unknown")),
    beside_heading=True,
)  # fmt: skip


def _overdue(row: dict, page: dict) -> str:
    return address_of("work_orders", late="on", words=row["site_code"]) if row["overdue"] else ""


RISKS: Final = Table(
    _("Sites at risk"),
    Column(_("Site code"), "site_code", only="file"),
    Column(_("Site"), "site_name", head=True, link=("site_page", "site_code")),
    Column(_("Customer"), "customer", label=""),
    Money(_("A month"), "monthly", in_file=_("Recurring a month"), place=1,
          link=lambda row, page: address_of("owner_bridge", by="plan", site=row["site_code"]) + "#rows",
          link_says=lambda row, page: gettext("%(monthly)s, plans of %(site_name)s") % {
              "monthly": amount(row["monthly"]), "site_name": row["site_name"]}),
    Number(_("Work late"), "overdue", link=_overdue,
           link_says=lambda row, page: gettext("%(overdue)s late at %(site_name)s") % {
               "overdue": row["overdue"], "site_name": row["site_name"]}),
    Number(_("Not ready"), "unready"),
    Number(_("Decaying"), "decaying"),
    file="revenue at risk",
)  # fmt: skip
RISK_REASONS: Final = Table(
    _("Revenue at risk by reason"),
    Column(_("Because"), lambda row: row[0], head=True),
    Number(_("Sites"), lambda row: row[1], sums=True),
    Money(_("Monthly revenue"), lambda row: row[2], sums=True,
          show=lambda row, page: row[2] if isinstance(row[2], str) else amount(row[2])),
    file="revenue at risk by reason", total=_("Each site once"),
)  # fmt: skip


def _since(row: dict, page: dict) -> str:
    return gettext("%(days_late)s days ago, %(chance_spent)s likely spent") % {
        "days_late": row["days_late"], "chance_spent": percent(row["chance_spent"]),
    }  # fmt: skip


LATE_CARBON: Final = Table(
    _("Membranes behind spent carbon"),
    Column(_("Treatment unit"), "serial", head=True, link=("treatment_unit", "serial"), under="site_name"),
    Column(_("Site code"), "site_code", only="file"),
    Column(_("Site"), "site_name", only="file"),
    Column(_("Carbon"), "carbon", only="file"),
    Column(_("Membrane"), "membrane", only="file"),
    Day(_("Carbon was due"), "likely_on", css="", under=_since),
    Column(_("Days late"), "days_late", only="file"),
    Column(_("Chance it is spent"), "chance_spent", only="file"),
    Percent(_("Tolerance used"), "membrane_wear"),
    Money(_("Membrane"), "membrane_price", in_file=_("Price of the membrane")),
    Money(_("A week"), "weekly", sums=True),
    file="membranes behind spent carbon", css="scrolls",
)  # fmt: skip


def _up_to(path: str) -> Any:
    return lambda row, page: gettext("up to %(high)s") % {"high": floatformat(row[path], "0g")}


MONTHS_AHEAD: Final = Table(
    _("Forecast by month"),
    Column(_("Month"), "month", head=True, css="nowrap", show=month_words(),
           under=lambda row, page: gettext("what is left") if row["is_begun"] else ""),
    Number(_("Changes"), lambda row: round(row["changes"], 2), places=0, under=_up_to("changes_high")),
    Column(_("Changes, enough 9 in 10"), "changes_high", only="file"),
    Number(_("Visits"), lambda row: round(row["visits"], 2), places=0, under=_up_to("visits_high")),
    Column(_("Visits, enough 9 in 10"), "visits_high", only="file"),
    Number(_("Hours"), lambda row: round(row["hours"], 2), places=0),
    Money(_("Recurring"), "recurring"),
    Money(_("One-off"), "one_off"),
    file="months ahead", beside_heading=True,
)  # fmt: skip


def _ahead(row: Any, months: int) -> str:
    return f"{reverse('parts_ahead', args=[row.code])}?months={months}"


PARTS_TO_ORDER: Final = Table(
    _("Parts to order"),
    Column(_("Code"), "code", only="file"),
    Column(_("Part"), "name", head=True, under="code"),
    Number(_("Needed"), "needed", places=0,
           link=lambda row, page: _ahead(row, page["reorder_months"]),
           link_says=lambda row, page: gettext("%(needed)s, parts behind it") % {
               "needed": floatformat(row.needed, "0g")}),
    Number(_("In stock"), "in_stock", places=0),
    Number(_("To order"), "to_order", places=0),
    Money(_("Cost"), "order_cost", needs=Permission.SEE_MARGINS, sums=True),
    file="parts to order", beside_heading=True, total=_("Together"),
)  # fmt: skip
_NEEDED: Final = lazy(
    lambda: gettext("Needed in %(REORDER_MONTHS)s months") % {"REORDER_MONTHS": REORDER_MONTHS}, str
)()
KINDS_AHEAD: Final = Table(
    _("Changes by kind of part"),
    Column(_("Code"), "code", only="file"),
    Column(_("Part"), "name", head=True, under="code",
           link=lambda row, page: _ahead(row, len(page["found"].months))),
    Column(_("In stock"), "in_stock", only="file"),
    Column(_NEEDED, "needed", only="file"),
    Column(_("To order"), "to_order", only="file"),
    Money(_("Cost each"), "cost", only="file", needs=Permission.SEE_MARGINS),
    Money(_("Cost of order"), "order_cost", only="file", needs=Permission.SEE_MARGINS),
    beside_heading=True, stack=False,
)  # fmt: skip
PARTS_AHEAD: Final = Table(
    _("Parts behind the forecast"),
    Column(_("Treatment unit"), "treatment_unit__serial", head=True,
           link=("treatment_unit", "treatment_unit__serial"),
           under=lambda row, page: gettext("%(position)s, in since %(installed_on)s") % {
               "position": row["position__code"], "installed_on": day(row["installed_on"])}),
    Column(_("Position"), "position__code", only="file"),
    Column(_("Site code"), "treatment_unit__site__code", only="file"),
    Column(_("Site"), "treatment_unit__site__name", label="",
           link=("site_page", "treatment_unit__site__code")),
    Column(_("Installed"), "installed_on", only="file"),
    Day(_("Expected change"), "likely_on"),
)  # fmt: skip


def months_of_kinds(months: list[date]) -> tuple[Column, ...]:
    """Return two columns for each month: the mean, and what is enough nine times in ten."""
    made: list[Column] = []
    for i, month in enumerate(months):
        said = {"month": f"{month:%Y-%m}"}
        made += [
            Number(
                date_format(month, gettext("M y")), lambda kind, i=i: round(kind.means[i], 2), places=1,
                in_file=gettext("%(month)s expected") % said,
                under=lambda kind, page, i=i: gettext("up to %(high)s") % {"high": kind.highs[i]},
            ),
            Column(gettext("%(month)s enough 9 in 10") % said, lambda kind, i=i: kind.highs[i], only="file"),
        ]  # fmt: skip
    return tuple(made)


def months_of_parts(months: list[date]) -> tuple[Column, ...]:
    """Return a column for each month: the chance of a change, left empty below half a percent."""

    def shown(row: dict, page: dict, i: int) -> str:
        return percent(row["chances"][i]) if row["chances"][i] >= 0.005 else ""

    return tuple(
        Number(
            date_format(month, gettext("M y")), lambda row, i=i: round(row["chances"][i], 4), sums=True,
            places=1, in_file=f"{month:%Y-%m}", show=lambda row, page, i=i: shown(row, page, i),
        )
        for i, month in enumerate(months)
    )  # fmt: skip
