"""Lists of the planner's overview."""

from datetime import datetime
from typing import Any, Final

from django.utils.formats import date_format
from django.utils.html import format_html
from django.utils.translation import gettext, ngettext
from django.utils.translation import gettext_lazy as _

from fleet.models import AuditArea
from fleet.table_columns import Moment, Translated, mark
from scheduling.overview.today import TechnicianToday
from shared.tables import Column, Number, Table

LATE_MINUTES: Final = 15
"""Behind its plan by more, a day is called late: *common practice*."""


def _routes(day: Any, page: dict) -> str:
    if not day.stops:
        return "–"
    routes = ngettext("%(n)s route", "%(n)s routes", day.technicians) % {"n": day.technicians}
    stops = ngettext("%(n)s stop", "%(n)s stops", day.stops) % {"n": day.stops}
    return format_html('{}<span class="under">{}</span>', routes, stops)


def _how_it_runs(row: TechnicianToday, page: dict) -> str:
    if row.shut:
        told = gettext("%(site)s will have closed") % {"site": row.shut[0].site.name}
        return mark("bad", told)
    if row.next_stop is None:
        return mark("good", gettext("done"))
    if row.is_silent:
        return mark("watch", gettext("not closed out"))
    if row.behind_minutes > LATE_MINUTES:
        return mark("watch", gettext("%(n)s min behind") % {"n": row.behind_minutes})
    return mark("good", gettext("on time"))


def _clock(moment: datetime | None, row: TechnicianToday) -> str:
    return date_format(moment.astimezone(row.zone), "H:i") if moment else ""


def _next(row: TechnicianToday, page: dict) -> str:
    at = _clock(row.next_at, row)
    return format_html("{} {}", at, row.next_stop.site.name) if row.next_stop else ""


ON_THE_ROAD: Final = Table(
    _("Today on the road"),
    Column(_("Technician"), "technician__name", head=True, link=("route", "route_id")),
    Number(_("Stops done"), "done", show=lambda row, page: f"{row.done} / {row.stops}"),
    Number(_("Stops"), "stops", only="file"),
    Column(_("Next"), lambda row: row.next_stop.site.name if row.next_stop else None, show=_next,
           empty="–"),
    Column(_("Expected"), lambda row: _clock(row.next_at, row), only="file"),
    Column(_("How it runs"), "behind_minutes", in_file=_("Minutes behind"), show=_how_it_runs),
    Column(_("Back"), lambda row: _clock(row.back_at, row), css="wide-only"),
    file="today", stack=False, css="load",
)  # fmt: skip
LOAD: Final = Table(
    _("Load of the next seven days"),
    Column(_("Day"), "day", head=True, css="nowrap",
           show=lambda row, page: date_format(row.day, gettext("D j M"))),
    Column(_("Routes and stops"), "technicians", in_file=_("Routes"), show=_routes),
    Column(_("Stops"), "stops", only="file"),
    Column(_("Time taken"), "work_minutes", in_file=_("Minutes on site"),
           show="parts/day_load.html"),
    Column(_("Minutes driving"), "drive_minutes", only="file"),
    Column(_("Minutes of shifts"), "shift_minutes", only="file"),
    Column(_("Windows that end with no route"), "ends_unplaced", only="file"),
    file="load ahead", stack=False, css="load",
)  # fmt: skip
CHANGES: Final = Table(
    _("Since this time yesterday"),
    Column(_("Finding"), "word", head=True),
    Number(_("New"), "came", places=0),
    Number(_("Gone"), "went", places=0),
    file="findings since yesterday", stack=False,
)  # fmt: skip
ACTIVITY: Final = Table(
    _("Changes"),
    Moment(_("When"), "told_at", head=True),
    Column(_("Who"), lambda row: row["told_by"] or "", empty=_("by itself, or not kept")),
    Column(_("About"), lambda row: AuditArea(row["told_area"]).label, only="file"),
    Translated(_("What"), "told_what", under=lambda row, page: AuditArea(row["told_area"]).label),
    Column(_("Which"), "told_about", empty="–"),
    Translated(_("Detail"), "told_detail", most=200, empty="–"),
    file="changes",
)
