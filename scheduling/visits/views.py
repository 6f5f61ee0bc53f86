"""The technician's day, and what lets the phone open it without signal.

Closing an order out: the plain page, the phone's queue, and taking a close-out back.
"""

import hashlib
import json
import uuid
from collections.abc import Mapping
from datetime import date, datetime
from functools import cache
from pathlib import Path
from typing import Final

from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.templatetags.static import static
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from scheduling.crew import day_load as queries
from scheduling.crew.day_load import technician_of
from scheduling.models import CloseOut, Outcome, Technician
from scheduling.orders.selectors import number_of
from scheduling.pages.request_context import branch_of, now_and_day_of, now_and_today
from scheduling.visits import day as visits_day
from scheduling.visits import field_reports
from scheduling.visits import undo as service
from scheduling.visits.checks import is_clock_right
from scheduling.visits.close_out import record_visit
from scheduling.visits.fields import Problem
from scheduling.visits.form import VisitEntry, moment_of, orders_of, versions_of
from scheduling.visits.photo_views import checked_uploads, keep_all
from scheduling.visits.visit_page import VisitPage, order_page, visit_page
from shared.access import requires
from shared.errors import DomainError
from shared.roles import Permission
from shared.translation import translate, written

SHELL: Final = [
    "tapward/base.css", "tapward/parts.css", "tapward/print.css", "tapward/drop.svg", "tapward/pages.js",
    "tapward/phone/phone.css", "tapward/phone/day.js", "tapward/phone/visit.js", "tapward/phone/store.js",
    "tapward/phone/queue.js", "tapward/phone/phone.js", "tapward/phone/instruments.js",
    "tapward/phone/found.js", "tapward/phone/live.js", "tapward/phone/photos.js", "tapward/phone/place.js",
    "django_htmx/htmx-2.min.js",
]  # fmt: skip
"""What the phone keeps so that its pages open without signal."""


@requires(Permission.SEE_OWN_DAY)
@require_GET
@never_cache
def day(request: HttpRequest, on: str = "") -> HttpResponse:
    """Show the stops of the technician who is logged in, and of nobody else."""
    technician = queries.technician_of(request.user.pk)
    if technician is None:
        return render(request, "visits/no_day.html")
    now, today = now_and_day_of(technician)
    page = visits_day.day_page(technician, _day_asked(on) or today, today)
    missing = any(part.missing for part in page.load)
    context = {"page": page, "missing": missing, "reports": field_reports.for_technician(technician, now)}
    return render(request, "visits/day.html", context)


@require_GET
@never_cache
def service_worker(request: HttpRequest) -> HttpResponse:
    """Return the phone's worker. It holds no data, so anyone may have it."""
    files = [static(name) for name in SHELL]
    context = {
        "files": files,
        "version": _shell_version(),
        "logic": static("tapward/phone/worker.js"),
        "start": reverse("day"),
    }
    answer = render(request, "visits/sw.js", context, content_type="text/javascript")
    # The guide and the parts lie beside the phone's folder; without signal a technician opens them too.
    answer["Service-Worker-Allowed"] = "/"
    return answer


@require_GET
def manifest(request: HttpRequest) -> JsonResponse:
    """Return what a phone needs to put the day on its home screen."""
    return JsonResponse(
        {
            "name": gettext("%(company)s: my day") % {"company": settings.COMPANY_NAME},
            "short_name": gettext("My day"),
            "id": reverse("day"),
            "start_url": reverse("day"),
            "scope": "/phone/",
            "display": "standalone",
            "background_color": "#f4f5f1",
            "theme_color": "#0b5a63",
            "icons": [{"src": static("tapward/drop.svg"), "sizes": "any", "type": "image/svg+xml"}],
        },
        content_type="application/manifest+json",
    )


def _day_asked(text: str) -> date | None:
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise Http404(gettext("A day is written as 2026-11-30.")) from error


@cache
def _shell_version() -> str:
    """Return a mark that changes when one of the phone's own files does."""
    content = hashlib.sha256()
    for folder in settings.STATICFILES_DIRS:
        for file in sorted(Path(folder, "tapward").rglob("*.*s*")):
            content.update(file.read_bytes())
    return content.hexdigest()[:16]


MOST_SENT_BYTES: Final = 400_000


@requires(Permission.CLOSE_OWN_STOPS)
@require_http_methods(["GET", "POST"])
@never_cache
def visit(request: HttpRequest, pk: int) -> HttpResponse:
    """Show the visit of a stop, over all its orders, and take what was done. Works as a plain form."""
    return _visit(request, stop_id=pk)


@requires(Permission.CLOSE_OWN_STOPS)
@require_http_methods(["GET", "POST"])
@never_cache
def close_out(request: HttpRequest, pk: int) -> HttpResponse:
    """Show a visit for one order: what labels lead to, and pages that phones keep."""
    return _visit(request, order_id=pk)


def _visit(request: HttpRequest, *, stop_id: int = 0, order_id: int = 0) -> HttpResponse:
    technician = technician_of(request.user.pk)
    if technician is None:
        raise Http404(gettext("Your log-in belongs to no technician."))
    now, _ = now_and_day_of(technician)
    typed = {name: request.POST.get(name, "") for name in request.POST}
    page = _page(technician, now, typed or request.GET, stop_id=stop_id, order_id=order_id)
    if page is None:
        raise Http404(gettext("This order stands on no route of yours."))
    system = request.user.measure_system
    if request.method == "GET":
        fresh = {"client_id": str(uuid.uuid4()), "opened_at": now.isoformat()}
        return _render(request, VisitEntry(page, system, **fresh))
    form = VisitEntry(page, system, typed)
    if not form.is_valid():
        return _render(request, form, status=422)
    try:
        photos = checked_uploads(request, form.cleaned_data["client_id"], now)
    except DomainError as error:
        form.refuse(error.field, translate(error))
        return _render(request, form, status=422)
    try:
        rows = _record(request, form, now)
    except DomainError as error:
        form.refuse(error.field, translate(error))
        return _render(request, form, conflict=translate(error), status=409)
    try:
        keep_all(rows[0], photos)
    except DomainError as error:
        messages.warning(request, translate(error))
    messages.success(request, _thanks(rows) + _clock_told(form, now))
    return redirect("day", on=f"{page.day:%Y-%m-%d}")


def _page(
    technician: Technician, now: datetime, typed: Mapping[str, str], *, stop_id: int = 0, order_id: int = 0
) -> VisitPage | None:
    if order_id:
        return order_page(technician, order_id, now, versions_of(typed, [order_id]))
    reported = orders_of(typed)
    return visit_page(technician, stop_id, now, versions_of(typed, reported))


@requires(Permission.CLOSE_OWN_STOPS)
@require_POST
def send_close_outs(request: HttpRequest) -> JsonResponse:
    """Take one visit from the phone's queue, with the same fields as the plain form.

    ``visit`` names its stop, or, from pages that phones kept, ``order`` its one order. Answers 200 written
    (also when it was known), 409 when a person must look, 422 for fields to mend, 400 and 404 for what can
    never be taken. The phone keeps everything but a 200.
    """
    sent = _sent(request)
    if sent is None:
        return _answer(400, gettext("This was not readable. It stays on the phone; tell the office."))
    technician = technician_of(request.user.pk)
    if technician is None:
        return _answer(404, gettext("Your log-in belongs to no technician. It stays on the phone."))
    if str(sent.get("person", "")) != str(request.user.pk):
        return _answer(
            409, gettext("Somebody else typed this. It is sent when that person logs in on this phone.")
        )
    now, _ = now_and_day_of(technician)
    typed = {str(name): str(value) for name, value in sent["fields"].items()}
    place = {"stop_id": int(sent["visit"])} if "visit" in sent else {"order_id": int(sent["order"])}
    page = _page(technician, now, typed, **place)
    if page is None or {one.pk for one in page.orders} < set(orders_of(typed)):
        return _answer(
            409,
            gettext(
                "This order stands on no route of yours. It stays on the phone; call the planner about it."
            ),
        )
    form = VisitEntry(page, request.user.measure_system, typed)
    if not form.is_valid():
        return _answer(422, gettext("Some fields need fixing."), problems=form.problems())
    try:
        rows = _record(request, form, now)
    except DomainError as error:
        told = translate(error)
        return _answer(409, told, problems=[Problem(form.field_meant(error.field) or "", told)])
    return _answer(200, _thanks(rows) + _clock_told(form, now))


@requires(Permission.MANAGE_WORK)
@require_POST
def undo_close_out(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a close-out back within its day."""
    found = CloseOut.objects.select_related("order")
    if branch_id := branch_of(request):
        found = found.filter(order__site__branch_id=branch_id)
    row = get_object_or_404(found, pk=pk)
    now, _ = now_and_today(request)
    try:
        service.undo(row, by=request.user, reason=request.POST.get("reason", "")[:160], now=now)
    except DomainError as error:
        messages.error(request, translate(error))
    else:
        messages.success(
            request, gettext("The close-out is undone and its order is open again. The record stays.")
        )
    return redirect("work_order", pk=row.order_id)


def _record(request: HttpRequest, form: VisitEntry, now: datetime) -> list[CloseOut]:
    """Write the visit. Of two presses at one moment the later waits for the first and takes its time over."""
    finished_at, by = _finished_at(form, now), request.user
    try:
        return record_visit(form.report(finished_at), by=by, now=now)
    except DomainError:
        first = _finished_at(form, now)
        if first == finished_at:
            raise
        return record_visit(form.report(first), by=by, now=now)


def _finished_at(form: VisitEntry, now: datetime) -> datetime:
    """Return when the work ended: as the phone says, as first received, else now.

    A plain form pressed twice carries no time of its own; the second press takes that of the first, so that
    both say the same.
    """
    numbers = [one.client_id for one in form.report(now).results]
    known = CloseOut.objects.filter(client_id__in=numbers).values_list("finished_at", flat=True)
    told = moment_of(form.cleaned_data["finished_at"])
    return (told if told and is_clock_right(told, now) else None) or known.first() or now


def _clock_told(form: VisitEntry, now: datetime) -> str:
    """Say that the phone's clock is wrong, where the moment of receipt was taken in its place."""
    told = moment_of(form.cleaned_data["finished_at"])
    if told is None or is_clock_right(told, now):
        return ""
    return " " + gettext(
        "This phone’s clock is wrong: it said %(told)s. The time of receipt was taken. Set the clock."
    ) % {"told": written(told, "%d %b %Y %H:%M")}


def _render(request: HttpRequest, form: VisitEntry, *, conflict: str = "", status: int = 200) -> HttpResponse:
    """Show the page with everything typed, what stands in the way, and what would cure it."""
    context = {
        "page": form.page,
        "keeps_place": settings.PHOTOS_KEEP_PLACE,
        "form": form,
        "problems": form.problems() if form.is_bound and not conflict else [],
        "conflict": conflict,
        "kinds": [(kind.value, kind.label) for kind in field_reports.BY_HAND],
        "found_number": uuid.uuid4(),
        "back_url": reverse("day", kwargs={"on": f"{form.page.day:%Y-%m-%d}"}),
    }
    return render(request, "visits/visit.html", context, status=status)


def _thanks(rows: list[CloseOut]) -> str:
    """Say what became of each order."""
    told = {
        Outcome.DONE: gettext("%(number)s is closed."),
        Outcome.BEDDING: gettext(
            "%(number)s is closed; the bed stands overnight and its second flush is on the list."
        ),
        Outcome.NOT_DONE: gettext(
            "%(number)s is noted as not done; the planner sees why and plans it again."
        ),
    }
    said = [told[Outcome(row.outcome)] % {"number": number_of(row.order_id)} for row in rows]
    owed = [row.flush.missing for row in rows if row.flush and row.flush.missing]
    owes = gettext("Flushed, still owed: %(missing)s. The unit is not in service; leave the warning tag on.")
    return " ".join([*said, *(owes % {"missing": translate(text)} for text in owed)])


def _sent(request: HttpRequest) -> dict | None:
    if len(request.body) > MOST_SENT_BYTES:
        return None
    try:
        sent = json.loads(request.body)
        place = str(sent["visit"] if "visit" in sent else sent["order"])
        ok = place.isascii() and place.isdigit() and len(place) < 16 and isinstance(sent["fields"], dict)
    except (ValueError, KeyError, TypeError, RecursionError):
        return None
    if not ok:
        return None
    # Half of a sign that was cut in two can't be kept; a mark takes its place, and nothing else is lost.
    fields = {name: str(value).encode("utf-16", "surrogatepass").decode("utf-16", "replace")
              for name, value in sent["fields"].items()}  # fmt: skip
    return sent | {"fields": fields}


def _answer(status: int, message: str, *, problems: list[Problem] | None = None) -> JsonResponse:
    listed = [{"field": one.field, "message": one.message} for one in problems or []]
    return JsonResponse({"message": message, "problems": listed}, status=status)
