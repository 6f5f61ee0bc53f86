"""Lists of parts: where they lie, what vans lack, what to order, what is recalled."""

from typing import Final
from urllib.parse import urlencode

from django.urls import reverse
from django.utils.html import format_html, format_html_join
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from fleet.models import Part
from fleet.table_columns import Day, mark
from fleet.templatetags.tapward import day
from scheduling.models import StockLevel
from shared.roles import Permission
from shared.tables import Column, Number, Table


def _strong(number: int, nothing: str = "–") -> str:
    return format_html("<strong>{}</strong>", number) if number else nothing


def _recall(row: StockLevel, page: dict) -> str:
    return f"{reverse('recall')}?{urlencode({'lot': row.lot})}" if row.lot else ""


PLACES: Final = Table(
    _("Shelves and vans"),
    Column(_("Code"), "code", only="file"),
    Column(_("Place"), "name", head=True, link=("stock_place", "code")),
    Column(_("Depot"), "branch__name"),
    Number(_("Kinds"), "kinds"),
    Number(_("Quantity"), "pieces"),
    file="places",
)
LOADS: Final = Table(
    _("Missing on vans"),
    Day(_("Day"), "day", head=True, css="", link=("route", "route_pk")),
    Column(_("Technician"), "technician"),
    Column(_("Part"), "kind"),
    Number(_("Needed"), "needed"),
    Number(_("Projected"), "on_van"),
    Number(_("To load"), "missing", show=lambda row, page: _strong(row["missing"])),
    file="missing on vans",
)
NEEDS: Final = Table(
    _("What to hold and order"),
    Column(_("Depot"), "branch", in_file=_("Branch"), place=1),
    Column(_("Part"), "kind", in_file=_("Kind"), head=True, under="kind_code"),
    Column(_("Code"), "kind_code", only="file"),
    Number(_("On hand"), "on_hand", place=1),
    Number(_("Open orders"), "standing", place=1),
    Number(_("Expected in addition"), lambda row: round(row.expected, 2), places=1, place=1),
    Number(_("Target stock"), "hold", place=1),
    Number(_("To order"), "to_order", place=1, show=lambda row, page: _strong(row.to_order)),
    file="parts to order",
    caption=_("Target stock is enough with 95 % chance: what open orders ask for, and what may fall due by "
              "then, "
              "each part by its own early, likely and late date."),
)  # fmt: skip
LEVELS: Final = Table(
    _("What lies here"),
    Column(_("Code"), "kind__code", only="file"),
    Column(_("Part"), "kind__name", head=True, under="kind__code"),
    Column(_("Lot"), "lot", empty="–", link=_recall, link_needs=Permission.SEE_FLEET),
    Number(_("Count"), "quantity"),
    file="what lies here", beside_heading=True,
)  # fmt: skip
MOVEMENTS: Final = Table(
    _("Movements"),
    Column(_("At"), "at"),
    Column(_("Part"), "kind__name"),
    Column(_("Lot"), "lot"),
    Column(_("Moved"), "quantity"),
    Column(_("By"), "by"),
    Column(_("Note"), "note"),
    Column(_("Order"), "close_out__order_id"),
    file="movements",
)


def _contact(row: Part, page: dict) -> str:
    customer = row.treatment_unit.site.customer
    ways = [(f"tel:{customer.phone}", customer.phone), (f"mailto:{customer.email}", customer.email)]
    linked = format_html_join("", ', <a href="{}">{}</a>', (way for way in ways if way[1]))
    return format_html("{}{}", customer.name, linked)


def _in_place(row: Part, page: dict) -> str:
    return mark("bad", gettext("In place")) if row.removed_at is None else mark("off", gettext("Taken out"))


RECALL: Final = Table(
    _("Parts of the lot"),
    Column(_("Lot"), "lot", only="file"),
    Column(_("Part"), "kind__name", place=2, under=lambda row, page: (
        gettext("serial %(part_serial)s") % {"part_serial": row.serial} if row.serial else "")),
    Column(_("Part code"), "kind__code", only="file"),
    Column(_("Part serial"), "serial", only="file"),
    Column(_("Now"), lambda row: row.removed_at is None, in_file=_("In place"), place=4, show=_in_place,
           under=lambda row, page: "" if row.removed_at is None else day(row.removed_at)),
    Day(_("In since"), "installed_at", in_file=_("Installed"), place=3),
    Column(_("Removed"), "removed_at", only="file"),
    Column(_("Treatment unit"), "treatment_unit__serial", place=1,
           link=("treatment_unit", "treatment_unit__serial"),
           under=lambda row, page: f"{row.treatment_unit.label}, {row.position.code}"),
    Column(_("Where"), "treatment_unit__label", only="file"),
    Column(_("Position"), "position__code", only="file"),
    Column(_("Site and contact"), "treatment_unit__site__name", in_file=_("Site"), head=True,
           link=("site_page", "treatment_unit__site__code"),
           under=_contact),
    Column(_("Site code"), "treatment_unit__site__code", only="file"),
    Column(_("Address"), "treatment_unit__site__address", only="file"),
    Column(_("Access"), "treatment_unit__site__access_note", only="file"),
    Column(_("Customer"), "treatment_unit__site__customer__name", only="file"),
    Column(_("Phone"), "treatment_unit__site__customer__phone", only="file"),
    Column(_("E-mail"), "treatment_unit__site__customer__email", only="file"),
    file="recall",
)  # fmt: skip
