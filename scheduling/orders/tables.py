"""Lists of work orders and step sheets."""

from typing import Final

from django.urls import reverse
from django.utils.html import format_html
from django.utils.translation import gettext, ngettext
from django.utils.translation import gettext_lazy as _

from fleet.table_columns import Day, Moment, Translated, mark, tick
from fleet.templatetags.tapward import day
from scheduling.models import STANDING_STATES
from scheduling.orders.selectors import OrderRow
from shared.roles import Permission, may
from shared.tables import Column, Number, Table
from shared.translation import translate

STATE_TONES: Final = {"done": "good", "on_route": "info", "withdrawn": "off"}


def _choose(row: OrderRow, page: dict) -> str:
    chooses = may(page["request"].user.role, Permission.MANAGE_WORK) and row.state in STANDING_STATES
    return tick("chosen", row.pk, gettext("Choose %(number)s") % {"number": row.number}) if chooses else ""


def _unit(row: OrderRow, page: dict) -> str:
    address = reverse("treatment_unit", args=[row.serial])
    return format_html('<a href="{}">{}</a>{}', address, row.serial, f" · {row.area}" if row.area else "")


def _late(row: OrderRow, page: dict) -> str:
    days = row.days_late
    return (
        mark("bad", ngettext("%(days)s day late", "%(days)s days late", days) % {"days": days})
        if days
        else ""
    )


def _is_placed(row: OrderRow) -> bool:
    return bool(row.placed_on) and row.state == "on_route"


def _planned(row: OrderRow, page: dict) -> str:
    return (
        day(row.placed_on) if _is_placed(row) else mark(STATE_TONES.get(row.state, "watch"), row.state_word)
    )


def _why(row: OrderRow, page: dict) -> str:
    parts = format_html(' <span class="soft">{}</span>', row.parts) if row.parts else ""
    return format_html('<span class="clip">{}{}</span>', translate(row.why), parts)


ORDERS: Final = Table(
    _("Work orders"),
    Column(_("Order"), "number", head=True, before=_choose, link=("work_order", "pk")),
    Column(_("Kind"), "kind_word", sort="kind", css="nowrap"),
    Column(_("State"), "state_word", only="file"),
    Column(_("Treatment unit"), "serial", only="file"),
    Column(_("Site and treatment unit"), "site_name", in_file=_("Site"), label=_("Site"),
           sort="site", under=_unit),
    Column(_("Site code"), "site_code", only="file"),
    Column(_("Customer"), "customer", only="file"),
    Column(_("Area"), "area", only="file"),
    Translated(_("Why"), "why", most=300, show=_why, place=1, css="long"),
    Column(_("Not before"), "window_from", only="file"),
    Day(_("Best by"), "best_by_on"),
    Day(_("Limit"), "window_to", sort="due", under=_late),
    Column(_("Likely"), "likely_on", only="file"),
    Column(_("Days late"), "days_late", only="file"),
    Number(_("Minutes"), "minutes", sort="minutes", place=1),
    Column(_("Flush minutes"), "flush_minutes", only="file"),
    Column(_("Parts"), "parts", only="file"),
    Column(_("Promised"), "promised_on", only="file"),
    Column(_("Planned"), "placed_on", in_file=_("Planned on"), show=_planned, css="nowrap", place=1,
           under=lambda row, page: row.technician if _is_placed(row) else ""),
    Column(_("Technician"), "technician", only="file"),
    Column(_("Raised"), "raised_at", only="file"),
    Column(_("Withdrawn because"), "withdrawn_because", only="file"),
    file="work orders", css="two-lines many",
)  # fmt: skip
STEP_SHEETS: Final = Table(
    _("Step sheets"),
    Column(_("Kind of work"), "word", head=True, link=("step_sheet", "kind")),
    Number(_("Version"), "sheet__version", empty=_("No sheet yet")),
    Number(_("Cautions"), lambda row: len(row["sheet"].cautions) if row["sheet"] else None),
    Number(_("Steps"), lambda row: len(row["sheet"].steps) if row["sheet"] else None),
    Number(_("Hazard controls"), "controls"),
    Moment(_("Since"), "sheet__made_at", form=lambda: gettext("j M Y"),
           under=lambda row, page: row["sheet"] and row["sheet"].made_by),
    file="step sheets",
)  # fmt: skip
