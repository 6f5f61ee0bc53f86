"""Lists of one service plan: prices, terms, discounts and pauses."""

from typing import Any, Final

from django.urls import reverse
from django.utils.formats import date_format
from django.utils.html import format_html
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from fleet.table_columns import Day, button, moment
from scheduling.models import PlanTerms
from shared.roles import Permission, may
from shared.tables import Column, Money, Number, Table

PRICES: Final = Table(
    _("Prices"),
    Day(_("From"), "from_on", head=True, css=""),
    file="prices of the plan", beside_heading=True, stack=False,
)  # fmt: skip


def may_correct(page: dict) -> bool:
    """Say whether this person corrects money."""
    return may(page["request"].user.role, Permission.CORRECT_MONEY)


def taken_back(row: Any) -> str:
    """Say by whom and when a row was taken back."""
    return gettext("Voided %(taken_back_by)s %(taken_back_at)s; does not count") % {
        "taken_back_by": row.taken_back_by or "",
        "taken_back_at": moment(row.taken_back_at, gettext("j M Y")),
    }  # fmt: skip


def price_of(title: str) -> Money:
    """Return the column of the price, named on the page by its interval and currency."""
    return Money(title, "amount", in_file=gettext("Price"))


def _entered(row: PlanTerms, page: dict) -> str:
    if not row.made_at:
        return gettext("From the start of the plan")
    entered = f"{row.made_by or ''} {moment(row.made_at, gettext('j M Y'))}"
    if row.taken_back_at or not may_correct(page):
        return entered
    said = gettext("Void the terms from %(from_on)s") % {
        "from_on": date_format(row.from_on, gettext("j M Y"))
    }  # fmt: skip
    address = reverse("take_back_plan_terms", args=[page["plan"].code, row.pk])
    return format_html("{}{}", entered, button(page, address, gettext("Void"), said=said))


TERMS: Final = Table(
    _("Yearly rise and included visits"),
    Day(_("From"), "from_on", head=True, css=""),
    Number(_("Rises by"), "escalator_percent", in_file=_("Rises by, percent"),
           show=lambda row, page: f"{row.escalator_percent} %"),
    Number(_("Visits a year in the price"), "included_visits_per_year", empty=_("all"),
           in_file=_("Visits a year in the price, empty: all")),
    Column(_("Entered by"), "made_by", only="file"),
    Column(_("Entered"), "made_at", show=_entered,
           under=lambda row, page: taken_back(row) if row.taken_back_at else ""),
    Column(_("Voided"), "taken_back_at", only="file"),
    Column(_("Voided by"), "taken_back_by", only="file"),
    file="terms of the plan", beside_heading=True,
)  # fmt: skip


def _by(row: Any, page: dict) -> str:
    return f"{row.made_by}, {moment(row.made_at, gettext('j M Y'))}" if row.made_by else ""


PERIODS: Final = Table(
    _("Discounts and pauses"),
    Column(_("What"), "get_kind_display", head=True),
    Day(_("From"), "from_on", css=""),
    Column(_("To"), "to_on", in_file=_("First day after"), show="parts/period_end.html"),
    Number(_("Off"), "percent_off", in_file=_("Percent off"), show=lambda row, page: f"{row.percent_off} %"),
    Column(_("Why"), "why", under=_by),
    Column(_("Made by"), "made_by", only="file"),
    Column(_("Made"), "made_at", only="file"),
    file="discounts and pauses",
    beside_heading=True,
)
