"""Lists of technicians, their absences and working weeks, and of days nobody works."""

from datetime import date
from typing import Final

from django.urls import reverse
from django.utils.dates import WEEKDAYS_ABBR
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from fleet.table_columns import Day, button, mark
from scheduling.crew.calendar import hours_text
from scheduling.models import Absence, SiteClosure, Technician
from shared.roles import Permission, may
from shared.tables import Column, Number, Table


def _state(row: Technician, page: dict) -> str:
    today: date = page["today"]
    if not row.is_active or (row.last_on and row.last_on < today):
        return mark("off", gettext("Has left"))
    if row.works_from and row.works_from > today:
        return mark("info", gettext("Comes"))
    if row.last_on:
        return mark("watch", gettext("Leaves"))
    return mark("good", gettext("At work"))


TECHNICIANS: Final = Table(
    _("Technicians"),
    Column(_("Code"), "code", only="file"),
    Column(_("Technician"), "name", head=True, link=("technician", "code")),
    Column(_("State"), "is_active", in_file=_("Active"), show=_state),
    Column(_("Branch"), "branch__name"),
    Column(_("Van"), "van_name", empty="–"),
    Day(_("First day"), "works_from"),
    Day(_("Last day"), "last_on"),
    Day(_("Away next"), "away_next"),
    file="technicians",
)


def _may_plan(page: dict) -> bool:
    return may(page["request"].user.role, Permission.PLAN_ROUTES)


def _end(row: Absence, page: dict) -> str:
    if not _may_plan(page) or (row.repeats_until or row.last_on) < page["today"]:
        return ""
    said = gettext("Take back the absence from %(day)s on") % {"day": row.first_on}
    return button(page, reverse("end_absence", args=[row.pk]), gettext("Take back"), said=said)


ABSENCES: Final = Table(
    _("Absences"),
    Day(_("First day"), "first_on", head=True),
    Day(_("Last day"), "last_on"),
    Column(_("Hours"), hours_text, empty=_("all day")),
    Day(_("Every week until"), "repeats_until"),
    Column(_("Reason"), "reason"),
    Column(_("Take back"), only="page", label="", unseen=True, show=_end),
    file="absences",
    beside_heading=True,
)


def _reopen(row: SiteClosure, page: dict) -> str:
    if not _may_plan(page):
        return ""
    said = gettext("Take back the closure from %(day)s on") % {"day": row.first_on}
    return button(page, reverse("end_closure", args=[row.pk]), gettext("Take back"), said=said)


CLOSURES: Final = Table(
    _("Closed"),
    Day(_("First day"), "first_on", head=True),
    Day(_("Last day"), "last_on"),
    Column(_("Reason"), "reason"),
    Column(_("Take back"), only="page", label="", unseen=True, show=_reopen),
    file="closures",
)
WEEK: Final = Table(
    _("Working weeks"),
    Day(_("From"), "from_on", head=True, empty=_("the beginning")),
    Column(_("Days"), lambda row: ", ".join(str(WEEKDAYS_ABBR[day]) for day in row["weekdays"])),
    Column(_("Hours"), "hours"),
    Number(_("Lunch, minutes"), "lunch_minutes"),
    file="working weeks",
)
DAYS_OFF: Final = Table(
    _("Days off"),
    Day(_("Day"), "day", head=True),
    Column(_("Branch"), "branch"),
    Column(_("Why"), "name"),
    file="days nobody works",
)
