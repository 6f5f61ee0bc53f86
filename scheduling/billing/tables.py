"""Lists of what is earned, what it costs, what is at risk, what comes, taxes and what the books have."""

from decimal import Decimal
from typing import Any, Final
from urllib.parse import urlencode

from django.template.defaultfilters import floatformat
from django.urls import reverse
from django.utils.formats import date_format
from django.utils.html import format_html
from django.utils.translation import gettext, ngettext
from django.utils.translation import gettext_lazy as _

from fleet.table_columns import Day, Moment, Translated, button, mark, moment
from fleet.templatetags.tapward import day
from scheduling.contracts.tables import may_correct, taken_back
from scheduling.models import PriceChange, TaxRate
from shared.roles import Permission
from shared.tables import Column, Money, Number, Table, read
from shared.translation import translate


def amount(value: Decimal) -> str:
    """Write an amount of money."""
    return floatformat(value, "2g")


def month_words(form: str = "M Y") -> Any:
    """Return how a column shows its row's month."""
    return lambda row, page: date_format(read(row, "month"), gettext(form))


def to_minute() -> str:
    """Return the form of a moment to the minute."""
    return gettext("j M Y H:i")


def address_of(name: str, **asked: object) -> str:
    """Return a page's address with its query."""
    return f"{reverse(name)}?{urlencode(asked)}"


def _signed(row: dict, page: dict) -> str:
    if not row["change"]:
        return format_html('<span class="soft">{}</span>', "–")
    return f"{'+' if row['change'] > 0 else ''}{amount(row['change'])}"


REVENUE_SITES: Final = Table(
    _("Revenue by site"),
    Column(_("Site"), "site_name", head=True, sort="site", link=("site_page", "site_code")),
    Column(_("Site code"), "site_code", only="file"),
    Column(_("Customer"), "customer", sort="customer", label=""),
    Column(_("Area"), "area", sort="area", label=""),
    Column(_("Plans"), "plans", only="file"),
    Money(_("Recurring a month"), "recurring", sort="recurring", sums=True, link=lambda row, page: address_of(
        "owner_bridge", by="plan", month=f"{page['found'].month:%Y-%m}", site=row["site_code"]) + "#rows"),
    Money(_("Month before"), "recurring_before", only="file"),
    Money(_("Against the month before"), "change", in_file=_("Change"), sort="change", sums=True,
          show=_signed),
    Money(_("Earned this month"), "earned_month", sums=True, link=lambda row, page: address_of(
        "revenue_entries", month=f"{page['found'].month:%Y-%m}", site=row["site_code"])),
    Money(_("Earned in 12 months"), "earned_year", sort="earned", sums=True,
          link=lambda row, page: address_of(
        "revenue_entries", since=f"{page['found'].year_from:%Y-%m}", month=f"{page['found'].month:%Y-%m}",
        site=row["site_code"])),
    Column(_("At risk"), "risks", in_file=_("At risk because"), sort="risk", sums=True,
           show=lambda row, page: mark("bad", row["risks"]) if row["risks"] else ""),
    total=_("All sites"),
)  # fmt: skip
RENEWALS: Final = Table(
    _("Renewals"),
    Day(_("Renews"), "renews_on", head=True),
    Column(_("Code"), "plan", only="file"),
    Column(_("Plan"), "plan_name", label="", link=("owner_plan", "plan"), under="plan"),
    Column(_("Site code"), "site", only="file"),
    Column(_("Site"), "site_name", label="", link=("site_page", "site")),
    Day(_("Notice until"), "notice_by", show=lambda row, page: format_html(
        "{} {}", day(row["notice_by"]),
        mark("watch", gettext("Notice over")) if row["is_notice_over"] else "")),
    Column(_("Notice day passed"), "is_notice_over", only="file"),
    Money(_("A month"), "monthly"),
    file="renewals", css="scrolls",
)  # fmt: skip
ENTRIES: Final = Table(
    _("Entries"),
    Column(_("Entry"), "pk", head=True),
    Column(_("Month"), "month", show=month_words(), css="nowrap"),
    Column(_("Kind"), "get_kind_display", label=""),
    Column(_("Site"), "site__name", label="", link=("site_page", "site__code"), under="plan__code"),
    Column(_("Site code"), "site__code", only="file"),
    Column(_("Plan"), "plan__code", only="file"),
    Column(_("Treatment unit"), "treatment_unit__serial", only="file"),
    Translated(_("Text"), "text", label="", under=lambda row, page: (
        gettext("corrects entry %(corrects)s") % {"corrects": row.corrects_id} if row.corrects_id else "")),
    Money(_("Amount"), "amount", sums=True),
    Column(_("Corrects entry"), "corrects_id", only="file"),
    Column(_("Correct"), only="page", unseen=True, label="", css="no-print", needs=Permission.CORRECT_MONEY,
           show=lambda row, page: gettext("Correct this"), link=("correct_money", "pk")),
    file="revenue entries", total=_("Together, all pages"),
)  # fmt: skip


def _move_name(row: dict, page: dict) -> str:
    by = page["found"].by
    address = {"site": "site_page", "plan": "owner_plan"}.get(by)
    if address:
        return format_html('<a href="{}">{}</a>', reverse(address, args=[row["key"]]), row["name"])
    return row["name"] or gettext("No area given")


def _end_address(row: dict, page: dict) -> str:
    found = page["found"]
    if found.by == "plan":
        return reverse("owner_plan", args=[row["key"]])
    return f"?{urlencode({'by': 'plan', 'month': page['month_words'], found.by: row['key']})}#rows"


def _end_said(row: dict, page: dict) -> str:
    if page["found"].by == "plan":
        return ""
    return gettext("%(end)s, plans of %(name)s") % {
        "end": amount(row["end"]),
        "name": row["name"] or gettext("no area"),
    }


def _step(title: str, name: str) -> Money:
    """A move of a month; none is left empty, but not in the row of totals."""
    return Money(title, name, sums=True, show=lambda row, page: amount(read(row, name)) if (
        read(row, name) or row is page["found"].total) else "")  # fmt: skip


BRIDGE: Final = Table(
    _("The bridge"),
    Column(_("Code"), "key", only="file"),
    Column(_("Name"), "name", head=True, show=_move_name,
           under=lambda row, page: row["key"] if row["key"] != row["name"] else ""),
    Money(_("Month before"), "start", sums=True),
    _step(_("New"), "new"), _step(_("Grown"), "grown"), _step(_("Resumed"), "resumed"),
    _step(_("Shrunk"), "shrunk"), _step(_("Paused"), "paused"), _step(_("Lost"), "lost"),
    Money(_("This month"), "end", sums=True, link=_end_address, link_says=_end_said),
    total=_("Together, all pages"),
)  # fmt: skip
RENEWALS_AHEAD: Final = Table(
    _("Renewals ahead"),
    Column(_("Month"), "month", head=True, show=month_words("F Y")),
    Number(_("Plans"), "plans",
           link=lambda row, page: "?" + urlencode(
               {"by": "plan", "month": page["month_words"], "renews": f"{row['month']:%Y-%m}"}) + "#rows",
           link_says=lambda row, page: gettext("%(plans)s plans that renew in %(month)s") % {
               "plans": row["plans"], "month": date_format(row["month"], "F Y")}),
    Money(_("Monthly revenue"), "monthly"),
    Number(_("Notice day passed"), "notice_over"),
    file="renewals ahead", beside_heading=True,
)  # fmt: skip


def _falls_on(rate: TaxRate, page: dict) -> str:
    words = [
        (rate.falls_on_plans, gettext("plans")), (rate.falls_on_work, gettext("work")),
        (rate.falls_on_parts, gettext("parts")),
    ]  # fmt: skip
    return " ".join(word for is_on, word in words if is_on)


def _j_m_y(value: Any) -> str:
    return moment(value, gettext("j M Y"))


def _rate_entered(rate: TaxRate, page: dict) -> str:
    entered = f"{rate.made_by or ''} {_j_m_y(rate.made_at)}"
    if rate.taken_back_at or rate.is_used or not may_correct(page):
        return entered
    said = gettext("Void %(code)s from %(from_on)s") % {
        "code": rate.code, "from_on": date_format(rate.from_on, gettext("j M Y")),
    }  # fmt: skip
    address = reverse("take_back_tax_rate", args=[rate.pk])
    return format_html("{}{}", entered, button(page, address, gettext("Void"), said=said))


def _rate_stands(rate: TaxRate, page: dict) -> str:
    if rate.taken_back_at:
        return taken_back(rate)
    return gettext("Stands on lines handed over") if rate.is_used else ""


TAX_RATES: Final = Table(
    _("Rates"),
    Column(_("Code"), "code", only="file"),
    Column(_("Tax"), "name", head=True, under="code"),
    Day(_("From"), "from_on"),
    Number(_("Percent"), "percent", show=lambda row, page: row.percent.normalize()),
    Column(_("Where"), "area", in_file=_("Area, empty: every site"), empty=_("Every site")),
    Column(_("On"), "falls_on_plans", in_file=_("On plans"), show=_falls_on),
    Column(_("On work"), "falls_on_work", only="file"),
    Column(_("On parts"), "falls_on_parts", only="file"),
    Column(_("Entered by"), "made_by", only="file"),
    Column(_("Entered"), "made_at", show=_rate_entered, under=_rate_stands),
    Column(_("Voided"), "taken_back_at", only="file"),
    Column(_("Voided by"), "taken_back_by", only="file"),
    file="tax rates",
    beside_heading=True,
)


def _paid(row: Any, page: dict) -> str:
    if row.paid_lines == row.entries + row.taxes:
        return gettext("All of it")
    if not row.paid_lines:
        return gettext("Nothing yet")
    return gettext("%(paid_lines)s of %(lines)s lines") % {
        "paid_lines": floatformat(row.paid_lines, "0g"), "lines": floatformat(row.entries + row.taxes, "0g"),
    }  # fmt: skip


def _newest_paid(row: Any, page: dict) -> str:
    newest = row.newest_paid_on
    return gettext("last %(newest_paid_on)s") % {"newest_paid_on": day(newest)} if newest else ""


def _tax_lines(row: Any, page: dict) -> str:
    return ngettext("%(taxes2)s line", "%(taxes2)s lines", row.taxes) % {
        "taxes2": floatformat(row.taxes, "0g")
    }


BATCHES: Final = Table(
    _("Batches"),
    Column(_("Batch"), str, head=True),
    Column(_("Up to"), "through", css="nowrap",
           show=lambda row, page: date_format(row.through, gettext("M Y"))),
    Moment(_("Made"), "made_at", css="", form=to_minute, under="made_by"),
    Column(_("Made by"), "made_by", only="file"),
    Number(_("Entries"), "entries", places=0),
    Money(_("Before tax"), "net"),
    Column(_("Tax lines"), "taxes", only="file"),
    Money(_("Tax"), "tax", under=_tax_lines),
    Column(_("Paid"), only="page", show=_paid, under=_newest_paid),
    Money(_("Still open"), "open", only="page"),
    Column(_("File"), only="page", label="", css="no-print", show=lambda row, page: gettext("CSV"),
           link=("invoice_batch_file", "pk")),
    file="batches", beside_heading=True,
)  # fmt: skip


def _file_stands(row: Any, page: dict) -> str:
    if row.taken_back_at:
        return gettext("Voided %(taken_back_at)s") % {"taken_back_at": _j_m_y(row.taken_back_at)}
    if not may_correct(page):
        return gettext("Counts")
    said = gettext("Void %(name)s") % {"name": row.name}
    address = reverse("take_back_paid_file", args=[row.pk])
    return format_html("{}{}", gettext("Counts"), button(page, address, gettext("Void"), said=said))


PAID_FILES: Final = Table(
    _("Files of paid lines"),
    Column(_("File"), "name", head=True),
    Moment(_("Taken in"), "read_at", css="", form=to_minute, under="read_by"),
    Column(_("By"), "read_by", only="file"),
    Number(_("Lines"), "line_count", places=0),
    Money(_("Amount"), "amount"),
    Column(_("Standing"), "taken_back_at", in_file=_("Voided"), show=_file_stands),
    file="files of paid lines",
)
OPEN_MONTHS: Final = Table(
    _("Months that would be closed"),
    Column(_("Month"), "month", head=True, show=lambda row, page: date_format(row.month, gettext("F Y"))),
    Number(_("Entries"), "entries", places=0),
    Money(_("Amount"), "amount"),
    file="months to close",
)


def _why_not(row: Any, page: dict) -> str:
    return mark("off", translate(row.why_not)) if row.why_not else mark("good", gettext("Changes"))


PRICE_LINES: Final = Table(
    _("Old and new prices"),
    Column(_("Plan"), "plan__code", head=True, link=("owner_plan", "plan__code"), under="plan__name"),
    Column(_("Site"), "plan__site__name", under="plan__site__customer__name"),
    Column(_("Interval"), "plan__get_interval_display"),
    Money(_("Old price"), "old"),
    Money(_("New price"), "new"),
    Money(_("Old, a month"), "old_monthly", sums=True),
    Money(_("New, a month"), "new_monthly", sums=True),
    Column(_("What happens"), only="page", show=_why_not),
    file="old and new prices",
)


def _undo_change(row: PriceChange, page: dict) -> str:
    if row.taken_back_at:
        return taken_back(row)
    said = gettext("Take back the change from %(from_on)s on") % {"from_on": day(row.from_on)}
    return button(page, reverse("undo_price_change", args=[row.pk]), gettext("Take back"), said=said)


PRICE_CHANGES: Final = Table(
    _("Changes of many prices"),
    Day(_("From"), "from_on", head=True),
    Column(_("By"), lambda row: f"{row.percent} %" if row.percent is not None else f"{row.amount:+}"),
    Column(_("Plans"), "chosen", empty=_("all")),
    Number(_("How many"), lambda row: len(row.lines)),
    Moment(_("Made"), "made_at", under="made_by"),
    Column(_("Take back"), only="page", label="", unseen=True, show=_undo_change),
    file="changes of prices",
)
END_MONTHS: Final = Table(
    _("What is still invoiced"),
    Column(_("Month"), "month", head=True, show=month_words("F Y")),
    Money(_("Entered so far"), "entered"),
    Money(_("Becomes"), "becomes"),
    Money(_("Difference"), "difference", sums=True),
    Column(_("Falls into"), "falls_into", show=lambda row, page: date_format(row.falls_into, gettext("F Y"))),
    file="end of the plan",
)
