"""Notices to customers: what was told, what waits, what failed, and sending again by a person's choice."""

from typing import Final

from django.conf import settings
from django.contrib import messages
from django.core.paginator import Paginator
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext
from django.views.decorators.http import require_GET, require_POST

from scheduling.models import Notice, NoticeState
from scheduling.services import notice_sending
from scheduling.views import list_columns
from scheduling.views.downloads import ListFile, page_or_file
from scheduling.views.edge import branch_of, now_and_today, page_number, paging
from shared.access import requires
from shared.errors import CannotDo
from shared.roles import Permission
from shared.told import told

PAGE_SIZE: Final = 50
TONES: Final = {
    NoticeState.WAITING: "info", NoticeState.CLAIMED: "watch", NoticeState.SENT: "good",
    NoticeState.OVERTAKEN: "off", NoticeState.NOT_WANTED: "off", NoticeState.FAILED: "bad",
}  # fmt: skip


@requires(Permission.MANAGE_WORK)
@require_GET
def notices(request: HttpRequest) -> HttpResponse:
    """List notices, the newest first."""
    state = request.GET.get("state", "")
    found = _of_branch(request)
    if state in NoticeState.values:
        found = found.filter(state=state)
    pages = Paginator(found, PAGE_SIZE)
    page = pages.get_page(page_number(request))
    context = {
        "rows": [(one, TONES[NoticeState(one.state)]) for one in page],
        "paging": paging(
            request,
            page=page.number,
            pages=pages.num_pages,
            total=pages.count,
            size=PAGE_SIZE,
            what="notices",
        ),
        "states": NoticeState.choices,
        "state": state,
        "is_on": settings.NOTICES_ON,
        "goes_nowhere": not settings.EMAIL_BACKEND.endswith("smtp.EmailBackend"),
        "quiet": (settings.NOTICE_QUIET_FROM_HOUR, settings.NOTICE_QUIET_UNTIL_HOUR),
        "settle": settings.NOTICE_SETTLE_MINUTES,
    }
    return page_or_file(
        request,
        "scheduling/notices.html",
        context,
        notices=ListFile("notices", list_columns.NOTICES, lambda: found.iterator()),
    )


@requires(Permission.MANAGE_WORK)
@require_GET
def notice(request: HttpRequest, pk: int) -> HttpResponse:
    """Show one notice as it was written, with its calendar entry."""
    found = get_object_or_404(_of_branch(request), pk=pk)
    now, _ = now_and_today(request)
    context = {
        "notice": found,
        "tone": TONES[NoticeState(found.state)],
        "can_send_again": notice_sending.can_send_again(found, now),
        "earlier": found.visit.notices.exclude(pk=pk),
    }
    return render(request, "scheduling/notices_one.html", context)


@requires(Permission.MANAGE_WORK)
@require_POST
def send_notice_again(request: HttpRequest, pk: int) -> HttpResponse:
    """Have a notice sent again that failed or was cut off."""
    found = get_object_or_404(_of_branch(request), pk=pk)
    now, _ = now_and_today(request)
    try:
        notice_sending.send_again(found, by=request.user, now=now)
    except CannotDo as error:
        messages.error(request, told(str(error)))
    else:
        messages.success(request, gettext("It goes out with the next round, within five minutes."))
    return redirect("notice", pk=pk)


def _of_branch(request: HttpRequest) -> QuerySet[Notice]:
    found = Notice.objects.select_related("customer", "visit__site", "resent_by")
    branch_id = branch_of(request)
    return found.filter(visit__site__branch_id=branch_id) if branch_id else found
