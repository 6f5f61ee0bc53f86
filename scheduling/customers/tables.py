"""Lists of notices to customers and of the technicians' calendars."""

from typing import Final

from django.urls import reverse
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from fleet.table_columns import Mark, Moment, Switch, button, moment
from scheduling.customers.calendars import FeedRow
from scheduling.models import Notice, NoticeState
from shared.tables import Column, Table
from shared.translation import translate

NOTICE_TONES: Final = {
    NoticeState.WAITING: "info", NoticeState.CLAIMED: "watch", NoticeState.SENT: "good",
    NoticeState.OVERTAKEN: "off", NoticeState.NOT_WANTED: "off", NoticeState.FAILED: "bad",
}  # fmt: skip


def notice_tone(row: Notice) -> str:
    """Return the tone of a notice's state."""
    return NOTICE_TONES[NoticeState(row.state)]


def _went(row: Notice, page: dict) -> object:
    if row.problem:
        return translate(row.problem)
    if row.state == NoticeState.WAITING:
        return gettext("goes %(next_try_at)s") % {"next_try_at": moment(row.next_try_at, gettext("j M, H:i"))}
    return f"{moment(row.sent_at, gettext('j M, H:i'))}, {row.to_email}" if row.sent_at else ""


def _switch_off(row: FeedRow, page: dict) -> str:
    if not row.is_on:
        return ""
    return button(
        page, reverse("switch_feed_off", args=[row.technician_pk]), gettext("Switch off"), css="risky",
        confirm=gettext("Switch it off? The address never works again; a new one can be made."),
        said=gettext("Switch %(technician)s’s calendar off") % {"technician": row.technician},
    )  # fmt: skip


NOTICES: Final = Table(
    _("Notices"),
    Moment(_("Made"), "made_at"),
    Column(_("Notice"), "get_kind_display", head=True, link=("notice", "pk")),
    Column(_("Customer and site"), "customer__name", in_file=_("Customer"), label=_("Customer"),
           under="visit__site__name"),
    Column(_("Site"), "visit__site__name", only="file"),
    Moment(_("Visit"), "visit__arrives_from", in_file=_("Visit from")),
    Column(_("Visit until"), "visit__arrives_until", only="file"),
    Mark(_("State"), "get_state_display", tone=notice_tone, under=_went),
    Column(_("To"), "to_email", only="file"),
    Column(_("Sent"), "sent_at", only="file"),
    Column(_("Attempts"), "tries", only="file"),
    Column(_("Problem"), "problem", only="file"),
    file="notices", zone="visit__site__time_zone",
)  # fmt: skip
CALENDARS: Final = Table(
    _("Calendars"),
    Column(_("Technician"), "technician", head=True, under="branch"),
    Column(_("Depot"), "branch", only="file"),
    Switch(_("Calendar"), "is_on", in_file=_("On"), words=(_("On"), _("Off"))),
    Moment(_("Made"), "made_at", css="", empty="–"),
    Moment(_("Last read"), "last_read_at", css="", empty="–"),
    Column(_("Switch off"), only="page", unseen=True, label="", show=_switch_off),
    file="calendars",
)
