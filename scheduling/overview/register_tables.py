"""Lists of treatment units, sites and what is at them."""

from typing import Any, Final

from django.template.defaultfilters import floatformat
from django.urls import reverse
from django.utils.html import format_html, format_html_join
from django.utils.safestring import mark_safe
from django.utils.translation import gettext, ngettext
from django.utils.translation import gettext_lazy as _

from fleet.models import Corrected, PatternName, ReadinessState
from fleet.table_columns import (
    Day,
    Mark,
    Measured,
    Moment,
    Percent,
    Translated,
    Wear,
    mark,
    moment,
    readiness_mark,
    tick,
)
from fleet.templatetags.tapward import day, number
from shared.periods import days_late
from shared.roles import Permission, may
from shared.tables import Column, Money, Number, Table
from shared.translation import translate


def _joined(*words: str) -> str:
    return " · ".join(filter(None, words))


def _serial(row: dict, page: dict) -> str:
    words = gettext("Choose %(serial)s") % {"serial": row["serial"]}
    chooses = may(page["request"].user.role, Permission.MANAGE_WORK)
    return tick("chosen", row["serial"], words) if chooses else ""


def readiness_word(row: dict) -> str:
    """Return a unit's readiness in words; nothing before its first assessment."""
    return ReadinessState(row["state__readiness"]).label if row["state__readiness"] else ""


def _readiness(row: dict, page: dict) -> str:
    shown = readiness_mark(row["state__readiness"] or "", readiness_word(row))
    return (
        format_html("{} {}", shown, mark("watch", gettext("Decaying")))
        if row["state__is_decaying"]
        else shown
    )


def _late(row: dict, page: dict) -> str:
    return gettext("late") if days_late(row["state__next_due_on"], page["today"]) else ""


_LABEL: Final = Column(_("Label"), "label", only="file")
_READINESS: Final = Column(_("Readiness"), readiness_word, label="", show=_readiness)
_WEAR: Final = Wear(
    _("Most worn part"), "state__worst_wear", in_file=_("Most worn part, share used"), sort="wear"
)
_DECAYING: Final = Column(_("Decaying"), lambda row: bool(row["state__is_decaying"]), only="file")
_WORK: Final = Number(
    _("Work"), "standing_orders", in_file=_("Open work orders"),
    show=lambda row, page: row["standing_orders"] or "–",
)  # fmt: skip
UNITS: Final = Table(
    _("Treatment units"),
    Column(_("Treatment unit"), "serial", in_file=_("Serial"), sort="serial", head=True, before=_serial,
           link=("treatment_unit", "serial"), link_css="serial nowrap", under="label"),
    _LABEL,
    Column(_("Site code"), "site__code", only="file"),
    Column(_("Site"), "site__name", sort="site", css="roomy", link=("site_page", "site__code"),
           under=lambda row, page: _joined(row["site__customer__name"], row["site__area"])),
    Column(_("Area"), "site__area", only="file"),
    Column(_("Customer"), "site__customer__name", only="file"),
    _READINESS,
    _WEAR,
    Day(_("Next due"), "state__next_due_on", sort="due", under=_late),
    _DECAYING,
    Column(_("Pattern"), only="file",
           value=lambda row: PatternName(row["state__pattern"]).label if row["state__pattern"] else ""),
    Percent(_("Normalised flow"), "state__flow_change", in_file=_("Normalised flow, change"), sort="flow",
            signed=True),
    Measured(_("Use"), "state__permeate_gal_per_day", in_file=_("Permeate, gal/day"), quantity="gal_per_day",
             under=lambda row, page: _("estimated (design duty)") if row["state__is_design_duty"] else ""),
    Moment(_("Last read"), "state__last_read_at", sort="read", form=lambda: gettext("j M Y"),
           empty=_("never"), css="nowrap extra"),
    _WORK,
    file="fleet", css="one-line many",
)  # fmt: skip
SITE_UNITS: Final = Table(
    _("Treatment units"),
    Column(_("Treatment unit"), "serial", head=True, link=("treatment_unit", "serial"), link_css="serial",
           under="label"),
    _LABEL, _READINESS, _WEAR,
    Day(_("Next due"), "state__next_due_on"),
    _DECAYING,
    Measured(_("Use"), "state__permeate_gal_per_day", in_file=_("Permeate, gal/day"), quantity="gal_per_day"),
    _WORK,
    file="treatment units",
)  # fmt: skip


def _plan_line(plan: Any, page: dict) -> str:
    months = plan.visit_every_months
    if not months:
        return plan.code
    every = ngettext(
        ", a visit every %(visit_every_months)s month",
        ", a visit every %(visit_every_months)s months",
        months,
    ) % {"visit_every_months": months}
    return f"{plan.code}{every}"


def _plan_price(plan: Any, page: dict) -> object:
    if plan.is_over:
        return mark("off", gettext("Over"))
    if plan.amount is None:
        return gettext("no price yet")
    measure = gettext("%(currency)s a %(interval)s") % {
        "currency": page["currency"],
        "interval": plan.get_interval_display().lower(),
    }
    return format_html('{} <span class="measure">{}</span>', floatformat(plan.amount, "2g"), measure)


def _renews(plan: Any, page: dict) -> str:
    return (
        gettext("ends %(ends_on)s") % {"ends_on": day(plan.ends_on)} if plan.ends_on else day(plan.renews_on)
    )


SITE_PLANS: Final = Table(
    _("Service plans"),
    Column(_("Code"), "code", only="file"),
    Column(_("Plan"), "name", head=True, under=_plan_line),
    Column(_("For"), "treatment_unit__serial", in_file=_("Treatment unit"), empty=_("the site")),
    Column(_("Interval"), lambda plan: plan.get_interval_display().lower(), only="file"),
    Money(_("Price"), "amount", show=_plan_price),
    Column(_("Visit every, months"), "visit_every_months", only="file"),
    Column(_("From"), "starts_on", only="file"),
    Column(_("To"), "ends_on", only="file"),
    Column(_("Renews"), "renews_on", show=_renews, css="nowrap"),
    file="service plans",
)


def _corrected(row: Any, page: dict) -> object:
    """Say what stood before, struck, with who, when and why; and what was odd when it came in."""
    told = [
        format_html(
            "{} <s>{}</s>, {}{}: {}", one.field, one.was or "–", moment(one.at, gettext("j M Y")),
            f" {one.by}" if one.by else "", one.reason,
        )
        for one in getattr(row, "corrected", ())
    ]  # fmt: skip
    if getattr(row, "doubt", None):
        told.append(translate(row.doubt))
    return format_html_join(mark_safe("<br>"), "{}", ((one,) for one in told)) if told else ""


def _correct(of: Corrected) -> Column:
    """Return the column that leads to correcting a row."""
    return Column(
        _("Correct"), only="page", unseen=True, label="", css="no-print", link_needs=Permission.EDIT_FLEET,
        show=lambda row, page: gettext("Correct this")
        if may(page["request"].user.role, Permission.EDIT_FLEET) else "",
        link=lambda row, page: reverse("correct_this", args=[of, row.pk]),
    )  # fmt: skip


FEED_TESTS: Final = Table(
    _("Feed tests"),
    Moment(_("Sampled"), "sampled_at", head=True, show=lambda row, page: format_html(
        "{} {}", moment(row.sampled_at, gettext("j M Y")),
        mark("info", gettext("in force")) if row.is_in_force else ""), under=_corrected),
    Column(_("Of"), "whose"),
    Column(_("In force"), "is_in_force", only="file"),
    Measured(_("Free chlorine"), "free_chlorine_mg_l", in_file=_("Free chlorine, mg/L"), quantity="mg_l"),
    Measured(_("Chloramine"), "chloramine_mg_l", in_file=_("Chloramine, mg/L"), quantity="mg_l"),
    Measured(_("Hardness as CaCO3"), "hardness_mg_l", in_file=_("Hardness as CaCO3, mg/L"), quantity="mg_l"),
    Measured(_("TDS"), "tds_mg_l", in_file=_("TDS, mg/L"), quantity="mg_l"),
    Number(_("pH"), "ph", show=lambda row, page: number(row.ph)),
    Column(_("Temperature, °C"), "temperature_c", only="file"),
    _correct(Corrected.FEED_TEST),
    file="feed tests", stack=False,
)  # fmt: skip
PARTS_IN_PLACE: Final = Table(
    _("Parts in place"),
    Column(_("Position"), "position", head=True),
    Column(_("Part"), "name", label="", show="parts/part_in_place.html"),
    Column(_("Serial"), "serial", only="file"),
    Column(_("Lot"), "lot", only="file"),
    Day(_("In place since"), "installed_on", under=_corrected),
    Wear(_("Used"), "wear", in_file=_("Share used"), governing="governing_word", css=""),
    Column(_("By"), "governing_word", only="file"),
    Column(_("1 in 10 by"), "early_on", only="file"),
    Column(_("Due"), "likely_on", in_file=_("Likely"), label="", show="parts/part_due.html"),
    Column(_("9 in 10 by"), "late_on", only="file"),
    _correct(Corrected.PART),
    file="parts in place",
)
PARTS_TAKEN_OUT: Final = Table(
    _("Parts taken out"),
    Column(_("Position"), "position", head=True),
    Column(_("Part"), "name", label=""),
    Column(_("Serial"), "serial", only="file"),
    Column(_("Lot"), "lot", only="file"),
    Day(_("From"), "installed_on"),
    Day(_("To"), "removed_on"),
    Column(_("Why"), "reason", under=_corrected),
    _correct(Corrected.PART),
    file="parts taken out",
)
METER_READINGS: Final = Table(
    _("Meter readings"),
    Moment(_("Read"), "read_at", head=True),
    Column(_("Water"), "get_water_display"),
    Column(_("Meter"), "meter__serial", css="serial"),
    Number(_("Register"), "total", show=lambda row, page: format_html(
        '{} <span class="measure">{}</span>', floatformat(row.total, "0g"), row.meter.measure),
        under=_corrected),
    Column(_("Measure"), "meter__measure", only="file"),
    Column(_("Register, gal"), "total_gal", only="file"),
    _correct(Corrected.TOTAL),
    file="meter readings", stack=False,
)  # fmt: skip
GAUGES: Final = Table(
    _("Gauge readings"),
    Moment(_("Read"), "read_at", head=True, form=lambda: gettext("j M Y"), under=_corrected),
    Measured(_("Feed pressure"), "feed_pressure_psi", in_file=_("Feed pressure, psi"), quantity="psi"),
    Column(_("Concentrate pressure, psi"), "concentrate_pressure_psi", only="file"),
    Column(_("Permeate pressure, psi"), "permeate_pressure_psi", only="file"),
    Measured(_("Water"), "feed_temperature_c", in_file=_("Water, °C"), quantity="c"),
    Measured(_("Permeate flow"), "permeate_flow_gpm", in_file=_("Permeate flow, gpm"), quantity="gpm"),
    Column(_("Concentrate flow, gpm"), "concentrate_flow_gpm", only="file"),
    Measured(_("Permeate conductivity"), "permeate_conductivity_us_cm",
             in_file=_("Permeate conductivity, µS/cm"), quantity="us_cm"),
    Column(_("Feed conductivity, µS/cm"), "feed_conductivity_us_cm", only="file"),
    Measured(_("Chlorine after carbon"), "chlorine_after_carbon_mg_l",
             in_file=_("Chlorine after carbon, mg/L"), quantity="mg_l"),
    _correct(Corrected.GAUGES),
    file="gauge readings", stack=False,
)  # fmt: skip
SITES: Final = Table(
    _("Sites on the map"),
    Column(_("Site code"), "code", only="file"),
    Column(_("Site"), "name", head=True, link=("site_page", "code"),
           under=lambda row, page: _joined(row.customer, row.area)),
    Column(_("Area"), "area", only="file"),
    Column(_("Customer"), "customer", only="file"),
    Mark(_("State"), "word", tone="tone", label=""),
    Translated(_("What is open"), "why", in_file=_("Why")),
    Number(_("Treatment units"), "units"),
    Number(_("Orders"), "orders", in_file=_("Orders to do")),
    Column(_("Orders late"), "late", only="file"),
    Column(_("Latitude"), "latitude", only="file"),
    Column(_("Longitude"), "longitude", only="file"),
    file="sites",
)  # fmt: skip
