"""The history of one thing, and the answer to a customer who asks about a unit."""

from datetime import datetime, time, timedelta
from typing import Any, Final
from zoneinfo import ZoneInfo

from django import forms
from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponseBase
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html
from django.utils.translation import gettext, gettext_lazy
from django.utils.translation import gettext_lazy as _
from django.views.decorators.http import require_GET

from fleet.table_columns import Moment, mark
from scheduling.documents.answer import answer_pdf
from scheduling.documents.paper import font_folder
from scheduling.entry import history
from scheduling.entry.answer import answer_for
from scheduling.overview.treatment_unit import find_unit
from scheduling.pages.forms import DayInput
from scheduling.pages.request_context import branch_of, is_metric, now_and_today, page_of
from scheduling.visits.document_views import pdf_answer
from shared.access import requires
from shared.roles import Permission, may
from shared.tables import Column, Table, render_or_export

PAGE_SIZE: Final = 100
HISTORY: Final = Table(
    _("What happened"),
    Moment(_("When"), "at", head=True),
    Column(_("Kind"), lambda row: row.kind.label, show=lambda row, page: mark("info", row.kind.label)),
    Column(_("Treatment unit"), "serial", link=("treatment_unit", "serial"), link_css="serial", empty="–"),
    Column(_("What"), "what", under="detail", link=lambda row, page: _order_address(row, page)),
    Column(_("Detail"), "detail", only="file"),
    Column(_("Before"), "was", show=lambda row, page: format_html("<s>{}</s>", row.was) if row.was else "–"),
    Column(_("After"), "became", empty="–"),
    Column(_("Who"), "who", under="door", empty="–"),
    Column(_("Came in by"), "door", only="file"),
    file="history",
)  # fmt: skip


def _order_address(row: Any, page: dict) -> str:
    role = page["request"].user.role
    if row.corrects and may(role, Permission.EDIT_FLEET):
        return reverse("correct_this", args=row.corrects)
    return (
        reverse("work_order", args=[row.order_id]) if row.order_id and may(role, Permission.SEE_WORK) else ""
    )


class HistoryFilter(forms.Form):
    """Which lines."""

    kinds = forms.MultipleChoiceField(
        label=gettext_lazy("Kinds"), choices=history.EventKind.choices, required=False,
        widget=forms.CheckboxSelectMultiple,
    )  # fmt: skip
    first_on = forms.DateField(label=gettext_lazy("From"), required=False, widget=DayInput())
    last_on = forms.DateField(label=gettext_lazy("To"), required=False, widget=DayInput())


@requires(Permission.SEE_FLEET)
@require_GET
def history_of(request: HttpRequest, of: str, code: str) -> HttpResponseBase:
    """Show all that happened to a customer, a site or a treatment unit, or send it."""
    found = history.about(of, code, branch_of(request)) if of in ("unit", "site", "customer") else None
    if found is None:
        raise Http404
    form = HistoryFilter(request.GET)
    given = form.cleaned_data if form.is_valid() else {}
    zone = timezone.get_current_timezone()
    first, last = given.get("first_on"), given.get("last_on")
    kinds = tuple(history.EventKind(kind) for kind in given.get("kinds") or ()) or history.USUAL
    wanted = history.Wanted(
        kinds,
        datetime.combine(first, time(), zone) if first else None,
        datetime.combine(last + timedelta(days=1), time(), zone) if last else None,
    )
    role = request.user.role
    lines = history.events(
        found,
        wanted,
        with_money=may(role, Permission.SEE_REVENUE),
        with_edits=may(role, Permission.SEE_CHANGES),
    )
    rows, paging = page_of(request, lines, what=gettext("lines"), size=PAGE_SIZE)
    return render_or_export(
        request, "entry/history.html",
        {"found": found, "form": form, "rows": rows, "paging": paging,
         "chosen": [str(kind) for kind in kinds]},
        lines=HISTORY.of(rows, every=lambda: lines, file=f"history {code}"),
    )  # fmt: skip


@requires(Permission.SEE_FLEET)
@require_GET
def answer(request: HttpRequest, serial: str) -> HttpResponseBase:
    """Tell a customer in plain words when a unit's parts were last changed and why; as page or letter."""
    unit = find_unit(serial, branch_of(request))
    if unit is None:
        raise Http404(gettext("There is no treatment unit %(serial)s.") % {"serial": serial})
    now, _today = now_and_today(request)
    with timezone.override(ZoneInfo(unit.site.time_zone)):
        told = answer_for(unit, company=settings.COMPANY_NAME, system=request.user.measure_system, now=now)
        if request.GET.get("as") == "pdf":
            return pdf_answer(
                answer_pdf(told, is_metric=is_metric(request), made_at=now, fonts=font_folder()),
                f"answer-{unit.serial}",
            )
        return render(request, "entry/answer.html", {"unit": unit, "told": told})
