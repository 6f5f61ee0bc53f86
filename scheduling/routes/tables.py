"""Lists of plans of routes, their changes by hand, driving times and the planner's prices."""

from typing import Any, Final

from django.template.defaultfilters import floatformat
from django.template.loader import render_to_string
from django.urls import reverse
from django.utils.html import format_html
from django.utils.text import capfirst
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from fleet.table_columns import Day, Moment, Translated, button, mark, moment
from fleet.templatetags.tapward import day
from scheduling.models import TravelCorrection
from scheduling.routes.change_pages import signed
from shared.messages import message
from shared.roles import Permission, may
from shared.tables import Column, Number, Table
from shared.translation import translate


def plans_routes(page: dict) -> bool:
    """Say whether this person plans routes."""
    return may(page["request"].user.role, Permission.PLAN_ROUTES)


def _minutes(value: Any) -> str:
    return gettext("%(n)s min") % {"n": value}


def _state(row: Any, page: dict) -> str:
    return render_to_string("parts/proposal_state.html", {"state": row.shown_state, "word": row.state_word})


PLANS: Final = Table(
    _("Plans"),
    Column(_("Days"), "first_on", in_file=_("First day"), head=True, link=("proposal", "pk"),
           under="branch_name", show=lambda row, page: f"{day(row.first_on)} – {day(row.last_on)}"),
    Column(_("Last day"), "last_on", only="file"),
    Column(_("Depot"), "branch_name", only="file"),
    Column(_("State"), "state_word", show=_state),
    Number(_("Stops"), "stop_count"),
    Number(_("Not scheduled"), "unplaced_count"),
    Number(_("Problems"), lambda row: len(row.problems)),
    Number(_("Drive"), "drive_minutes", in_file=_("Driving, min"),
           show=lambda row, page: _minutes(row.drive_minutes)),
    Column(_("On site, min"), "work_minutes", only="file"),
    Moment(_("Made"), "made_at", css="", under="maker"),
    Column(_("Made by"), "maker", only="file"),
    file="plans", caption=_("Newest first."),
)  # fmt: skip
PLAN_STOPS: Final = Table(
    _("People and days"),
    Column(_("Day"), "route__day"),
    Column(_("Technician"), "route__technician__name"),
    Column(_("Place"), "place"),
    Column(_("Starts"), "starts_at"),
    Column(_("Leaves"), "leaves_at"),
    Column(_("Site code"), "site__code"),
    Column(_("Site"), "site__name"),
    Column(_("Drive, min"), "drive_minutes"),
    Column(_("Orders"), lambda stop: ", ".join(placed.number for placed in stop.orders.all())),
    file="stops of the plan",
)
"""Only as a file: the page has a board."""


def _in_the_way(row: Any, page: dict) -> str:
    shown = format_html(
        "<strong>{}</strong><br>{}", capfirst(translate(message(row.reason))), translate(row.text)
    )
    if not plans_routes(page):
        return shown
    address = f"{reverse('move_stop', args=[page['row'].pk])}?order={row.order_id}"
    return format_html('{} <a href="{}">{}</a>', shown, address, gettext("Place by hand"))


LEFT_OUT: Final = Table(
    _("Orders not scheduled"),
    Column(_("Order"), "number", head=True, link=("work_order", "order_id"),
           under="order__get_kind_display"),
    Column(_("Kind"), "order__get_kind_display", only="file"),
    Column(_("Site"), "order__site__name", label="", under="order__treatment_unit__serial"),
    Column(_("Treatment unit"), "order__treatment_unit__serial", only="file"),
    Day(_("Best by"), "order__best_by_on"),
    Day(_("Limit"), "order__window_to",
        under=lambda row, page: mark("bad", gettext("Due in these days")) if row.is_due else ""),
    Column(_("Due in these days"), "is_due", only="file"),
    Column(_("Reason"), "reason", only="file"),
    Column(_("What stands in the way"), "text", label="", show=_in_the_way),
    file="orders left out",
)  # fmt: skip


def _undo(row: Any, page: dict) -> str:
    if row.undone_at:
        return mark("off", gettext("Undone"))
    if not (row.can_be_undone and plans_routes(page)):
        return ""
    return button(page, reverse("undo_move", args=[page["row"].pk]), gettext("Undo"))


def _undone(row: Any, page: dict) -> str:
    return f"{row.undone_by or ''} {moment(row.undone_at, gettext('j M, H:i'))}" if row.undone_at else ""


HAND_CHANGES: Final = Table(
    _("Changes"),
    Number(_("Change"), "number", head=True),
    Translated(_("What"), "what", label=""),
    Column(_("Who and when"), "by", in_file=_("By"), label=_("By"), empty="–",
           under=lambda row, page: moment(row.at)),
    Column(_("At"), "at", only="file"),
    Number(_("Driving"), lambda row: row.effect.get("drive_minutes", 0), in_file=_("Driving, min"),
           show=lambda row, page: _minutes(signed(row.effect.get("drive_minutes", 0)))),
    Column(_("Undo"), "undone_at", in_file=_("Undone"), unseen=True, show=_undo, under=_undone),
    Column(_("Undone by"), "undone_by", only="file"),
    file="changes by hand",
)  # fmt: skip


def _remove(row: TravelCorrection, page: dict) -> str:
    said = gettext("Remove %(name)s – %(name2)s") % {"name": row.site_a.name, "name2": row.site_b.name}
    return button(
        page, reverse("remove_travel_time", args=[row.pk]), gettext("Remove"), said=said, css="risky",
        confirm=gettext("Remove it? The drive is estimated again."),
    )  # fmt: skip


TRAVEL_TIMES: Final = Table(
    _("Set by hand"),
    Column(_("Site code"), "site_a__code", only="file"),
    Column(_("Between"), "site_a__name", in_file=_("Site"), head=True, under="site_a__code"),
    Column(_("And site code"), "site_b__code", only="file"),
    Column(_("And"), "site_b__name", in_file=_("And site"), under="site_b__code"),
    Number(_("Minutes"), "minutes"),
    Translated(_("Because"), "because", empty="–"),
    Column(_("Set by"), "set_by", empty="–", under=lambda row, page: moment(row.set_at, gettext("j M Y"))),
    Column(_("Set"), "set_at", only="file"),
    Column(_("Remove"), only="page", unseen=True, show=_remove),
    file="driving times",
)
PACES: Final = Table(
    _("Learned from finished visits"),
    Column(_("Depot"), lambda row: row[0]),
    Column(_("What"), lambda row: row[1].title),
    Column(_("In use, factor"), lambda row: row[1].factor_in_use if row[1].in_use else None),
    Column(_("Visits say, factor"), lambda row: row[1].found.factor if row[1].is_learned else None),
    Column(_("Out of"), lambda row: row[1].found.visits),
    Column(_("Why not"), lambda row: "" if row[1].is_learned else row[1].found.reason),
    file="learned from visits",
)
"""Only as a file: the page has a table for each depot."""


def _overtime(row: Any, page: dict) -> str:
    return gettext("%(overtime_allowed_minutes)s min × %(overtime_per_minute)s") % {
        "overtime_allowed_minutes": row.overtime_allowed_minutes,
        "overtime_per_minute": floatformat(row.overtime_per_minute),
    }


def _carry_over(row: Any, page: dict) -> str:
    return f"{floatformat(row.carry_over_least_minutes)}–{floatformat(row.carry_over_most_minutes)}"


def _price(title: str, name: str) -> Number:
    return Number(title, name, show=lambda row, page: floatformat(getattr(row, name)))


PLANNER_PRICES: Final = Table(
    _("Price lists"),
    Day(_("From"), "from_on", head=True, css=""),
    _price(_("Day late"), "late_day_minutes"),
    _price(_("Week past best by"), "waiting_week_minutes"),
    _price(_("Not scheduled, due"), "missed_minutes"),
    _price(_("Per day late"), "missed_per_day_minutes"),
    Number(_("Not scheduled, can wait"), "carry_over_least_minutes",
        in_file=_("Not scheduled, can wait, least"),
           show=_carry_over),
    Column(_("Not scheduled, can wait, most"), "carry_over_most_minutes", only="file"),
    _price(_("Arrival"), "site_visit_minutes"),
    _price(_("Disturbing a customer"), "disturbance_minutes"),
    _price(_("Somebody else"), "other_technician_minutes"),
    Number(_("Overtime"), "overtime_allowed_minutes", in_file=_("Overtime allowed, min"), show=_overtime),
    Column(_("Overtime, per minute"), "overtime_per_minute", only="file"),
    Column(_("Kept"), "made_by", in_file=_("Kept by"), empty="–",
           under=lambda row, page: moment(row.made_at)),
    Column(_("Kept"), "made_at", only="file"),
    file="planner prices",
)  # fmt: skip
VAN_LOAD: Final = Table(
    _("Parts to load"),
    Column(_("Code"), "code", only="file"),
    Column(_("Part"), "name", head=True, under="code"),
    Number(_("Needed"), "needed"),
    Number(_("On the van"), "on_van"),
    Number(_("Take from the shelf"), "missing",
           show=lambda row, page: format_html("<strong>{}</strong>", row.missing or "–")),
    file="load of the van", stack=False,
)  # fmt: skip
