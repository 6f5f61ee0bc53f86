"""Lists of the planner's overview."""

from typing import Any, Final

from django.utils.formats import date_format
from django.utils.html import format_html
from django.utils.translation import gettext, ngettext
from django.utils.translation import gettext_lazy as _

from fleet.models import AuditArea
from fleet.table_columns import Moment, Translated
from shared.tables import Column, Number, Table


def _routes(day: Any, page: dict) -> str:
    if not day.stops:
        return "–"
    routes = ngettext("%(n)s route", "%(n)s routes", day.technicians) % {"n": day.technicians}
    stops = ngettext("%(n)s stop", "%(n)s stops", day.stops) % {"n": day.stops}
    return format_html('{}<span class="under">{}</span>', routes, stops)


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
    Translated(_("Detail"), "told_detail", most=300, empty="–", css="long"),
    file="changes",
    css="one-line many",
)
