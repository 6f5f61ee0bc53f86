"""Telemetry's pages: mappings, who was heard, messages that could not be taken."""

from typing import Final

from django.conf import settings
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.core.paginator import Paginator
from django.db.models import Q, QuerySet
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fleet.models import DeadLetter, DeadLetterState, TelemetryDay, TelemetryMap
from fleet.telemetry import dead_letters as letters
from fleet.telemetry import last_seen, mapping
from fleet.telemetry.intake import retry
from scheduling.operations import tables as tables
from scheduling.operations.forms import HeardFilter, LetterFilter, MapForm
from scheduling.pages.request_context import branch_of, now_and_today, page_number, paging
from shared.access import requires
from shared.errors import DomainError
from shared.heavy_posts import rate_limited
from shared.roles import Permission
from shared.tables import asked_file, render_or_export
from shared.translation import translate

PAGE_SIZE: Final = 50
DAYS_SHOWN: Final = 14


@requires(Permission.CONNECT)
@require_GET
def telemetry(request: HttpRequest) -> HttpResponseBase:
    """Show how telemetry stands: counts of the last days, mappings, what wants a look."""
    now, _ = now_and_today(request)
    rows = mapping.newest_maps(now)
    days = TelemetryDay.objects.all()[:DAYS_SHOWN]
    context = {
        "maps": rows,
        "days": days,
        "letters": last_seen.waiting_dead_letters(branch_of(request)),
        "silent": last_seen.silent_count(branch_of(request)),
        "hours": settings.TELEMETRY_SILENT_HOURS,
        "host": settings.MQTT_HOST,
        "may_change": branch_of(request) is None,
    }
    return render_or_export(
        request,
        "operations/telemetry.html",
        context,
        maps=tables.MAPPINGS.of(rows),
        days=tables.TELEMETRY_DAYS.of(days),
    )


@requires(Permission.CONNECT)
@require_http_methods(["GET", "POST"])
def telemetry_map(request: HttpRequest, name: str = "") -> HttpResponse:
    """Make a mapping, or change one from now on."""
    now, _ = now_and_today(request)
    if branch_of(request) is not None:
        raise PermissionDenied(gettext("Mappings count for every branch: people of one branch change none."))
    current = next((row for row in mapping.newest_maps(now) if row.name == name), None)
    if name and current is None:
        raise Http404(gettext("There is no such mapping."))
    form = MapForm(request.POST or None, current=current)
    if request.method == "POST" and form.is_valid():
        wanted = name or form.cleaned_data["name"]
        if not name and TelemetryMap.objects.filter(name=wanted).exists():
            form.add_error(
                "name", gettext("There is a mapping of this name: change that one, or take another name.")
            )
        else:
            try:
                mapping.keep_map(wanted, form.values(), by=request.user, now=now)
            except DomainError as error:
                form.add_error(error.field if error.field in form.fields else None, translate(error))
            else:
                messages.success(request, gettext("Kept. Listeners use it within seconds."))
                return redirect("telemetry")
    history = TelemetryMap.objects.filter(name=name).select_related("made_by") if name else []
    context = {"form": form, "current": current, "history": history}
    return render(request, "operations/telemetry_map.html", context, status=422 if form.errors else 200)


@requires(Permission.CONNECT)
@require_GET
def dead_letters(request: HttpRequest) -> HttpResponseBase:
    """List messages that could not be taken."""
    found = _letters(request).defer("payload")
    if file := asked_file(request, letters=tables.LETTERS.of((), every=found.iterator)):
        return file
    pages = Paginator(found, PAGE_SIZE)
    page = pages.get_page(page_number(request))
    context = {
        "form": LetterFilter(request.GET or None),
        "rows": page,
        "lists": {"letters": tables.LETTERS.of(page)},
        "paging": paging(request, page=page.number, pages=pages.num_pages, total=pages.count, size=PAGE_SIZE,
                         what=gettext("messages")),
    }  # fmt: skip
    return render(request, "operations/dead_letters.html", context)


@requires(Permission.CONNECT)
@require_http_methods(["GET", "POST"])
def dead_letter(request: HttpRequest, pk: int) -> HttpResponse:
    """Show one refused message; try it again or dismiss it."""
    found = get_object_or_404(last_seen.dead_letters(branch_of(request)), pk=pk)
    if request.method == "POST":
        now, _ = now_and_today(request)
        does_retry = request.POST.get("do") == "retry"
        try:
            (retry if does_retry else letters.dismiss)(found, by=request.user, now=now)
        except DomainError as error:
            messages.error(request, translate(error))
            return redirect("dead_letter", pk=pk)
        messages.success(
            request, gettext("Taken; its readings are recorded.") if does_retry else gettext("Dismissed.")
        )
        return redirect("dead_letters")
    shown = bytes(found.payload)[:4000].decode("utf-8", "backslashreplace").replace("\x00", "\\x00")
    context = {"letter": found, "payload": shown, "tone": tables.LETTER_TONES[DeadLetterState(found.state)]}
    return render(request, "operations/dead_letter.html", context)


@requires(Permission.CONNECT)
@require_POST
@rate_limited
def settle_dead_letters(request: HttpRequest) -> HttpResponse:
    """Try all chosen messages again, or dismiss them."""
    now, _ = now_and_today(request)
    chosen = [int(text) for text in request.POST.getlist("letter") if text.isascii() and text.isdigit()][:200]
    does_retry = request.POST.get("do") == "retry"
    done = refused = 0
    for found in last_seen.dead_letters(branch_of(request)).filter(pk__in=chosen):
        try:
            (retry if does_retry else letters.dismiss)(found, by=request.user, now=now)
        except DomainError:
            refused += 1
        else:
            done += 1
    said = gettext("%(done)s taken") if does_retry else gettext("%(done)s dismissed")
    again = gettext(", %(refused)s refused again") % {"refused": refused} if refused else ""
    messages.success(request, said % {"done": done} + f"{again}.")
    return redirect("dead_letters")


@requires(Permission.CONNECT)
@require_GET
def last_heard(request: HttpRequest) -> HttpResponseBase:
    """List who was heard when, those silent longest first."""
    form = HeardFilter(request.GET)
    form.is_valid()
    found = last_seen.last_heard(
        branch_of(request), only_silent=bool(form.cleaned_data.get("silent")),
        words=form.cleaned_data.get("words") or "",
    )  # fmt: skip
    if file := asked_file(request, heard=tables.HEARD.of((), every=found.iterator)):
        return file
    pages = Paginator(found, PAGE_SIZE)
    page = pages.get_page(page_number(request))
    context = {
        "form": form,
        "rows": page,
        "lists": {"heard": tables.HEARD.of(page)},
        "hours": settings.TELEMETRY_SILENT_HOURS,
        "paging": paging(request, page=page.number, pages=pages.num_pages, total=pages.count, size=PAGE_SIZE,
                         what=gettext("meters and gauges")),
    }  # fmt: skip
    return render(request, "operations/last_heard.html", context)


def _letters(request: HttpRequest) -> QuerySet[DeadLetter]:
    form = LetterFilter(request.GET)
    given = form.cleaned_data if form.is_valid() else {}
    state = given.get("state", "") if request.GET.get("state") is not None else DeadLetterState.WAITING
    found = last_seen.dead_letters(branch_of(request))
    if state:
        found = found.filter(state=state)
    if words := given.get("words"):
        found = found.filter(Q(topic__icontains=words) | Q(reason__icontains=words))
    return found
