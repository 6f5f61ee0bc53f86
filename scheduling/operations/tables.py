"""Lists of what runs, what is connected and who changed what."""

from typing import Any, Final

from django.urls import reverse
from django.utils.html import format_html
from django.utils.text import Truncator
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from fleet.models import DeadLetterState, DeliveryState
from fleet.table_columns import Day, Mark, Moment, Switch, Translated, code, mark, moment
from fleet.telemetry.mapping import title_of
from shared.tables import Column, Number, Table
from shared.translation import translate

DELIVERY_TONES: Final = {
    DeliveryState.WAITING: "info", DeliveryState.DELIVERED: "good", DeliveryState.FAILED: "bad",
}  # fmt: skip
LETTER_TONES: Final = {
    DeadLetterState.WAITING: "watch", DeadLetterState.TAKEN: "good", DeadLetterState.DISMISSED: "off",
}  # fmt: skip

DUTIES: Final = Table(
    _("What ran"),
    Column(_("What"), "title", head=True),
    Column(_("How often"), "how_often"),
    Moment(_("Last"), "last_at", empty="–"),
    Mark(_("How it went"), "word", tone="tone", under=lambda row, page: translate(row.problem)),
    Column(_("Problem"), "problem", only="file"),
    file="what ran",
)
FAILED: Final = Table(
    _("What failed"),
    Moment(_("When"), "last_at"),
    Column(_("What"), "title", head=True),
    Column(_("What happened and what to do"), "word", in_file=_("How"), label=_("What happened"),
           show=lambda row, page: f"{row.word}. {translate(row.problem)}",
           under=lambda row, page: gettext("Task %(task_id)s") % {"task_id": row.task_id}),
    Column(_("Problem"), "problem", only="file"),
    Column(_("Task"), "task_id", only="file"),
    file="what failed",
)  # fmt: skip


def _hook_state(row: Any, page: dict) -> str:
    if not row.is_on:
        return mark("off", gettext("Off"))
    return mark("watch", gettext("Failing")) if row.failures_in_row else mark("good", gettext("On"))


WEBHOOKS: Final = Table(
    _("Webhooks"),
    Column(_("Webhook"), "name", head=True, link=("webhook", "pk"),
           under=lambda row, page: f"{row.made_by}, {moment(row.made_at, gettext('j M Y'))}"),
    Column(_("Address"), "url", show=lambda row, page: code(row.url)),
    Column(_("State"), "is_on", in_file=_("On"), label="", show=_hook_state, place=2),
    Column(_("Off because"), "off_because", only="file"),
    Number(_("Kinds of event"), lambda row: ", ".join(row.kinds), in_file=_("Subscribed events"), place=1,
           show=lambda row, page: len(row.kinds)),
    Column(_("Branch"), lambda row: row.branch.name if row.branch else gettext("all"),
           show=lambda row, page: row.branch or gettext("All")),
    Column(_("Failures in a row"), "failures_in_row", only="file"),
    Column(_("Made"), "made_at", only="file"),
    Column(_("Made by"), "made_by", only="file"),
    file="webhooks",
)  # fmt: skip


def _delivered(row: Any, page: dict) -> str:
    if row.state == DeliveryState.WAITING:
        return gettext("next try %(next_try_at)s") % {
            "next_try_at": moment(row.next_try_at, gettext("j M, H:i"))
        }
    return moment(row.delivered_at, gettext("j M, H:i"))


DELIVERIES: Final = Table(
    _("Events"),
    Column(_("Event"), "event_id", only="file"),
    Column(_("Event"), "event__kind", in_file=_("Kind"), head=True, link=("webhook_delivery", "pk"), place=1,
           show=lambda row, page: row.event.get_kind_display()),
    Moment(_("Happened"), "event__happened_at"),
    Mark(_("State"), "get_state_display", tone=lambda row: DELIVERY_TONES[DeliveryState(row.state)],
         under=_delivered, place=3),
    Number(_("Attempts"), "tries", place=2),
    Column(_("Next try"), lambda row: row.next_try_at if row.state == DeliveryState.WAITING else None,
           only="file"),
    Column(_("Delivered"), "delivered_at", only="file"),
    file="deliveries",
)  # fmt: skip
TRIES: Final = Table(
    _("Attempts"),
    Moment(_("At"), "at", head=True, css="", form=lambda: gettext("j M Y, H:i:s")),
    Column(_("Answer"), "status", in_file=_("HTTP status"), empty=_("none"),
           show=lambda row, page: row.status and gettext("HTTP %(status)s") % {"status": row.status}),
    Number(_("Milliseconds"), "milliseconds"),
    Column(_("Response"), "problem", in_file=_("Problem"), empty="–",
           show=lambda row, page: translate(row.problem) or row.answer),
    Column(_("Answer"), "answer", only="file"),
    file="tries",
)  # fmt: skip


def _reads(row: Any, page: dict) -> str:
    return ", ".join(f"{title_of(one['quantity'])} ({one['measure']})" for one in row.fields)


MAPPINGS: Final = Table(
    _("Mappings"),
    Column(_("Mapping"), "name", head=True, link=lambda row, page: (
        reverse("telemetry_map", args=[row.name]) if page["may_change"] else "")),
    Switch(_("State"), "is_on", in_file=_("In use"), words=(_("In use"), _("Off")), place=1),
    Column(_("Topic"), "topic", show=lambda row, page: code(row.topic)),
    Column(_("Reads"), only="page", show=_reads),
    Moment(_("Counts from"), "counts_from"),
    file="mappings",
)  # fmt: skip
TELEMETRY_DAYS: Final = Table(
    _("The last days"),
    Day(_("Day (UTC)"), "day", head=True, css=""),
    Number(_("Messages"), "messages"),
    Number(_("Readings recorded"), "recorded"),
    Number(_("Known already"), "duplicates"),
    Number(_("Rejected"), "refused", in_file=_("Messages refused")),
    file="telemetry by day",
)


def _choose(row: Any, page: dict) -> str:
    words = gettext("Choose message %(pk)s") % {"pk": row.pk}
    return format_html('<input type="checkbox" name="letter" value="{}" aria-label="{}">', row.pk, words)


LETTERS: Final = Table(
    _("Rejected messages"),
    Column(_("Choose"), only="page", unseen=True, show=_choose),
    Column(_("First came"), "first_at", only="file"),
    Moment(_("Last came"), "last_at", place=1),
    Number(_("Times"), "times", place=1),
    Column(_("Topic"), "topic", head=True, link=("dead_letter", "pk"),
           show=lambda row, page: Truncator(row.topic).chars(60)),
    Column(_("Field"), "field", only="file"),
    Translated(_("Reason"), "reason",
         under=lambda row, page: (f"{row.field}: " if row.field else "") + translate(row.remedy)),
    Column(_("Remedy"), "remedy", only="file"),
    Mark(_("State"), "get_state_display", tone=lambda row: LETTER_TONES[DeadLetterState(row.state)], place=2),
    Column(_("Settled by"), lambda row: str(row.settled_by or ""), only="file"),
    file="refused messages",
)  # fmt: skip
HEARD: Final = Table(
    _("Last seen"),
    Column(_("Treatment unit"), "treatment_unit__serial", head=True,
           link=("treatment_unit", "treatment_unit__serial"), under="treatment_unit__site__name"),
    Column(_("Site"), "treatment_unit__site__name", only="file"),
    Column(_("What"), "get_source_display"),
    Moment(_("Last seen"), "heard_at"),
    Moment(_("Newest reading"), "read_at"),
    Column(_("State"), "silent_since", in_file=_("Silence noticed"), label="", show=lambda row, page: (
        mark("bad", gettext("Silent")) if row.silent_since else mark("good", gettext("Reports")))),
    file="last heard", zone="treatment_unit__site__time_zone",
)  # fmt: skip
