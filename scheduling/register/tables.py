"""Lists of customers, their sites, supplies and the catalogue."""

from typing import Final

from django.utils.translation import gettext_lazy as _

from fleet.table_columns import mark
from shared.roles import Permission
from shared.tables import Column, Money, Number, Table

CUSTOMERS: Final = Table(
    _("Customers"),
    Column(_("Customer"), "name", head=True, link=("customer_page", "code"), under="code"),
    Column(_("Code"), "code", only="file"),
    Column(_("Telephone"), "phone"),
    Column(_("E-mail"), "email"),
    Number(_("Sites"), "site_count"),
    Number(_("Treatment units"), "unit_count"),
    file="customers",
    css="one-line many",
)
CUSTOMER_SITES: Final = Table(
    _("Sites"),
    Column(_("Site"), "name", head=True, link=("site_page", "code"), under="address"),
    Column(_("Code"), "code"),
    Column(_("Area"), "area"),
    Column(_("Depot"), "branch__name"),
    Number(_("Treatment units"), "unit_count"),
    Column(_("State"), "is_closed", show=lambda row, page: mark("off", _("Closed")) if row.is_closed else ""),
    file="sites of the customer",
)
SUPPLIES: Final = Table(
    _("Water supplies"),
    Column(_("Water supply"), "name", head=True, link=("change_supply", "code"), under="code"),
    Column(_("Code"), "code", only="file"),
    Column(_("Kind"), "get_kind_display"),
    Number(_("Sites"), "site_count"),
    file="water supplies",
)
PART_KINDS: Final = Table(
    _("Part kinds"),
    Column(_("Part kind"), "name", head=True, link=("change_part_kind", "code"), under="code"),
    Column(_("Code"), "code", only="file"),
    Column(_("What it does"), "get_role_display"),
    Number(_("Rated months"), "rated_months", places=0),
    Money(_("Price"), "price", needs=Permission.SEE_REVENUE),
    file="part kinds",
)
UNIT_MODELS: Final = Table(
    _("Unit models"),
    Column(_("Model"), "name", head=True, link=("change_unit_model", "code"), under="code"),
    Column(_("Code"), "code", only="file"),
    Column(_("Positions and usual parts"), lambda row: ", ".join(
        f"{one.code} ({one.usual_kind.code})" if one.usual_kind else one.code for one in row.positions.all()
    )),
    file="unit models",
)  # fmt: skip
