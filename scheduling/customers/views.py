"""Notices to customers: what was told, what waits, what failed, and sending again by a person's choice.

Calendar feeds and route files: what leaves the pages for a phone's calendar and navigation.
"""

from datetime import date
from typing import Final

from django.conf import settings
from django.contrib import messages
from django.core.paginator import Paginator
from django.db import transaction
from django.db.models import QuerySet
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fleet.models import AuditArea
from scheduling.crew.day_load import technician_of
from scheduling.customers import calendars as queries
from scheduling.customers import sending
from scheduling.customers.tables import CALENDARS, NOTICES, notice_tone
from scheduling.models import Notice, NoticeState, Route, Technician
from scheduling.pages.request_context import (
    branch_of,
    note_change,
    now_and_day_of,
    now_and_today,
    of_own_branch,
    page_number,
    paging,
)
from scheduling.routes import maps
from shared.access import opened_by_secret, requires
from shared.errors import DomainError
from shared.messages import message
from shared.roles import Permission
from shared.tables import render_or_export
from shared.translation import translate

PAGE_SIZE: Final = 50


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
        "rows": page,
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
    return render_or_export(
        request,
        "customers/notices.html",
        context,
        notices=NOTICES.of(page, every=found.iterator),
    )


@requires(Permission.MANAGE_WORK)
@require_GET
def notice(request: HttpRequest, pk: int) -> HttpResponse:
    """Show one notice as it was written, with its calendar entry."""
    found = get_object_or_404(_of_branch(request), pk=pk)
    now, _ = now_and_today(request)
    context = {
        "notice": found,
        "tone": notice_tone(found),
        "can_send_again": sending.can_send_again(found, now),
        "earlier": found.visit.notices.exclude(pk=pk),
    }
    return render(request, "customers/notices_one.html", context)


@requires(Permission.MANAGE_WORK)
@require_POST
def send_notice_again(request: HttpRequest, pk: int) -> HttpResponse:
    """Have a notice sent again that failed or was cut off."""
    found = get_object_or_404(_of_branch(request), pk=pk)
    now, _ = now_and_today(request)
    try:
        sending.send_again(found, by=request.user, now=now)
    except DomainError as error:
        messages.error(request, translate(error))
    else:
        messages.success(request, gettext("It goes out with the next round, within five minutes."))
    return redirect("notice", pk=pk)


def _of_branch(request: HttpRequest) -> QuerySet[Notice]:
    found = Notice.objects.select_related("customer", "visit__site", "resent_by")
    return of_own_branch(request, found, "visit__site__branch_id")


@requires(Permission.SEE_OWN_DAY)
@require_http_methods(["GET", "POST"])
@never_cache
@transaction.atomic
def my_calendar(request: HttpRequest) -> HttpResponse:
    """Make the own feed's address, or a new one. It is shown in the answer and kept nowhere."""
    technician = technician_of(request.user.pk)
    if technician is None:
        return render(request, "visits/no_day.html")
    address = ""
    if request.method == "POST":
        now, _ = now_and_day_of(technician)
        if request.POST.get("do") == "off":
            queries.switch_off(technician)
            note_change(request, message("calendar switched off"), AuditArea.PEOPLE, technician.name)
            messages.success(request, gettext("Switched off. No address opens your calendar any more."))
            return redirect("my_calendar")
        secret = queries.new_secret(technician, by=request.user, now=now)
        note_change(request, message("calendar address made"), AuditArea.PEOPLE, technician.name)
        address = request.build_absolute_uri(reverse("calendar_file", args=[secret]))
    row = next(one for one in queries.feed_rows(None) if one.technician_pk == technician.pk)
    return render(request, "customers/feeds_own.html", {"row": row, "address": address})


@requires(Permission.PLAN_ROUTES)
@require_GET
def feeds(request: HttpRequest) -> HttpResponse:
    """List the technicians' feeds. Addresses are theirs alone; a planner can only switch one off."""
    rows = queries.feed_rows(branch_of(request))
    return render_or_export(
        request,
        "customers/feeds.html",
        {"rows": rows},
        calendars=CALENDARS.of(rows),
    )


@requires(Permission.PLAN_ROUTES)
@require_POST
@transaction.atomic
def switch_feed_off(request: HttpRequest, pk: int) -> HttpResponse:
    """Switch a technician's feed off, when a phone is lost."""
    technician = get_object_or_404(of_own_branch(request, Technician.objects.all()), pk=pk)
    queries.switch_off(technician)
    note_change(request, message("calendar switched off"), AuditArea.PEOPLE, technician.name)
    messages.success(
        request, gettext("No address opens %(name)s’s calendar any more.") % {"name": technician.name}
    )
    return redirect("feeds")


@opened_by_secret
@require_GET
def calendar_file(request: HttpRequest, secret: str) -> HttpResponse:
    """Return the calendar a secret opens. No log-in: the address itself is the key."""
    feed = queries.feed_of(secret)
    if feed is None:
        raise Http404(gettext("No calendar answers at this address."))
    now, today = now_and_day_of(feed.technician)
    queries.note_read(feed, now)
    body = queries.calendar(feed, settings.COMPANY_NAME, today)
    response = HttpResponse(body, content_type="text/calendar; charset=utf-8")
    response["Content-Disposition"] = 'inline; filename="days.ics"'
    response["Cache-Control"] = "private, max-age=900"
    response["Referrer-Policy"] = "no-referrer"
    response["X-Robots-Tag"] = "noindex"
    return response


@requires(Permission.SEE_WORK)
@require_GET
def route_gpx(request: HttpRequest, pk: int) -> HttpResponse:
    """Return a route for a navigation device."""
    return _gpx(queries.any_route(pk, branch_of(request)))


@requires(Permission.SEE_OWN_DAY)
@require_GET
def my_gpx(request: HttpRequest, on: str) -> HttpResponse:
    """Return the own route of a day for a navigation device."""
    return _gpx(_own(request, on))


@requires(Permission.SEE_OWN_DAY)
@require_GET
def my_geojson(request: HttpRequest, on: str) -> HttpResponse:
    """Return the own route of a day for another map."""
    route = _own(request, on)
    if route is None:
        raise Http404(gettext("There is no route on this day."))
    return JsonResponse(maps.geojson([route]), content_type="application/geo+json")


def _own(request: HttpRequest, on: str) -> Route | None:
    technician = technician_of(request.user.pk)
    try:
        day = date.fromisoformat(on)
    except ValueError as error:
        raise Http404(gettext("A day is written as 2026-11-30.")) from error
    return queries.own_route(technician.pk, day) if technician else None


def _gpx(route: Route | None) -> HttpResponse:
    if route is None:
        raise Http404(gettext("There is no such route."))
    response = HttpResponse(queries.gpx(route), content_type="application/gpx+xml")
    response["Content-Disposition"] = f'attachment; filename="route-{route.day:%Y-%m-%d}.gpx"'
    return response
