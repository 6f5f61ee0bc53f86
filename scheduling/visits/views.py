"""The technician's day, and what lets the phone open it without signal.

Closing an order out: the plain page, the phone's queue, and taking a close-out back.
"""

import hashlib
import json
import uuid
from collections.abc import Mapping
from dataclasses import replace
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
from django.utils.dateparse import parse_datetime
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fleet.models import RemovalReason
from scheduling.crew import day_load as queries
from scheduling.crew.day_load import technician_of
from scheduling.models import CloseOut, Outcome, Technician
from scheduling.pages.request_context import branch_of, now_and_day_of, now_and_today
from scheduling.visits import day as visits_day
from scheduling.visits import undo as service
from scheduling.visits.close_out import record_visit
from scheduling.visits.close_out_page import CloseOutPage, close_out_page
from scheduling.visits.entry import Entry, EntryProblem, read_entry
from scheduling.visits.fields import Typed, close_out_fields
from scheduling.visits.photo_views import checked_uploads, keep_all
from shared.access import requires
from shared.errors import CannotDo
from shared.roles import Permission
from shared.translation import translate

SHELL: Final = [
    "tapward/base.css", "tapward/parts.css", "tapward/print.css", "tapward/drop.svg", "tapward/pages.js",
    "tapward/phone/phone.css", "tapward/phone/day.js", "tapward/phone/close_out.js", "tapward/phone/store.js",
    "tapward/phone/queue.js", "tapward/phone/offline.js", "tapward/phone/timer.js",
    "tapward/phone/pen.js", "tapward/phone/photos.js", "tapward/phone/photo_queue.js",
    "tapward/phone/place.js", "tapward/phone/scan.js", "tapward/phone/words.js",
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
    _, today = now_and_day_of(technician)
    page = visits_day.day_page(technician, _day_asked(on) or today, today)
    missing = any(part.missing for part in page.load)
    return render(request, "visits/day.html", {"page": page, "missing": missing})


@require_GET
@never_cache
def service_worker(request: HttpRequest) -> HttpResponse:
    """Return the phone's worker. It holds no data, so anyone may have it; its scope is this folder."""
    files = [static(name) for name in SHELL]
    context = {
        "files": files,
        "version": _shell_version(),
        "logic": static("tapward/phone/worker.js"),
        "start": reverse("day"),
    }
    return render(request, "visits/sw.js", context, content_type="text/javascript")


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


FIELD_MEANT: Final = {
    "performance": "feed_pressure_psi", "flush": "flush_volume", "volume_gal": "flush_volume",
}  # fmt: skip
"""Where on the page a refusal's field is, when it is called otherwise there."""
MOST_SENT_BYTES: Final = 400_000


@requires(Permission.CLOSE_OWN_STOPS)
@require_http_methods(["GET", "POST"])
@never_cache
def close_out(request: HttpRequest, pk: int) -> HttpResponse:
    """Show the order's page and take what was done. Works as a plain form."""
    technician = _technician(request)
    now, _ = now_and_day_of(technician)
    typed = {name: request.POST.get(name, "") for name in request.POST}
    page = _page(technician, pk, typed, now)
    if request.method == "GET":
        return _render(request, page, Typed({}), now)
    entry = _read(request, page, typed, now)
    if entry.form is None:
        return _render(request, page, Typed(typed, entry.problems), now, status=422)
    try:
        photos = checked_uploads(request, entry.form.client_id, now)
    except CannotDo as error:
        problem = EntryProblem(error.field, translate(error))
        return _render(request, page, Typed(typed, [problem]), now, status=422)
    try:
        row = _record(request, page, typed, entry, now)
    except CannotDo as error:
        return _refused(request, page, typed, error, now)
    try:
        keep_all(row, photos)
    except CannotDo as error:
        messages.warning(request, translate(error))
    messages.success(request, _thanks(page, row))
    return redirect("day", on=f"{page.day:%Y-%m-%d}")


@requires(Permission.CLOSE_OWN_STOPS)
@require_POST
def send_close_outs(request: HttpRequest) -> JsonResponse:
    """Take one close-out from the phone's queue, with the same fields as the plain form.

    Answers 200 closed (also when it was known), 409 when a person must look, 422 for fields to mend, 400 and
    404 for what can never be taken. The phone keeps everything but a 200.
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
    page = close_out_page(technician, int(sent["order"]), now, _sheet_version(typed))
    if page is None:
        return _answer(
            409,
            gettext(
                "This order stands on no route of yours. It stays on the phone; ring the planner about it."
            ),
        )
    entry = _read(request, page, typed, now)
    if entry.form is None:
        return _answer(422, gettext("Some fields need mending."), problems=entry.problems)
    try:
        row = _record(request, page, typed, entry, now)
    except CannotDo as error:
        return _answer(409, translate(error), problems=[EntryProblem(_field_of(error), translate(error))])
    return _answer(200, _thanks(page, row))


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
    except CannotDo as error:
        messages.error(request, translate(error))
    else:
        messages.success(
            request, gettext("The close-out is undone and its order is open again. The record stays.")
        )
    return redirect("work_order", pk=row.order_id)


def _technician(request: HttpRequest) -> Technician:
    technician = technician_of(request.user.pk)
    if technician is None:
        raise Http404(gettext("Your log-in belongs to no technician."))
    return technician


def _sheet_version(typed: Mapping[str, str]) -> int | None:
    """Return the version of the steps that were shown when this was typed."""
    digits = typed.get("sheet_version", "")
    return int(digits) if digits.isascii() and digits.isdigit() and len(digits) < 5 else None


def _page(technician: Technician, pk: int, typed: Mapping[str, str], now: datetime) -> CloseOutPage:
    page = close_out_page(technician, pk, now, _sheet_version(typed))
    if page is None:
        raise Http404(gettext("This order stands on no route of yours."))
    return page


def _read(request: HttpRequest, page: CloseOutPage, typed: Mapping[str, str], now: datetime) -> Entry:
    finished_at = _finished_at(typed, now)
    return read_entry(typed, page, system=request.user.measure_system, finished_at=finished_at)


def _record(
    request: HttpRequest, page: CloseOutPage, typed: Mapping[str, str], entry: Entry, now: datetime
) -> CloseOut:
    """Write the visit. Of two presses at one moment the later waits for the first and takes its time over."""
    try:
        return record_visit(entry.form, feed_test=entry.feed_test, by=request.user, now=now)
    except CannotDo:
        if _finished_at(typed, now) == entry.form.finished_at:
            raise
        again = _read(request, page, typed, now)
        return record_visit(again.form, feed_test=again.feed_test, by=request.user, now=now)


def _finished_at(typed: Mapping[str, str], now: datetime) -> datetime:
    """Return when the work ended: as the phone says, as first received, else now.

    A plain form pressed twice carries no time of its own; the second press takes that of the first, so that
    both say the same.
    """
    said = parse_datetime(typed.get("finished_at", "")) if typed.get("finished_at") else None
    if said is not None and said.tzinfo is not None:
        return said
    try:
        client_id = uuid.UUID(typed.get("client_id", ""))
    except ValueError:
        return now
    first = CloseOut.objects.filter(client_id=client_id).values_list("finished_at", flat=True).first()
    return first or now


def _refused(
    request: HttpRequest, page: CloseOutPage, typed: dict[str, str], error: CannotDo, now: datetime
) -> HttpResponse:
    """Show the page again with everything typed, what stands in the way, and what would cure it."""
    problems = [EntryProblem(_field_of(error), translate(error))] if error.field else []
    return _render(request, page, Typed(typed, problems), now, conflict=translate(error), status=409)


def _field_of(error: CannotDo) -> str:
    if error.field.startswith("step:"):
        return f"step__{error.field.removeprefix('step:')}"
    return FIELD_MEANT.get(error.field, error.field)


def _render(
    request: HttpRequest,
    page: CloseOutPage,
    typed: Typed,
    now: datetime,
    *,
    conflict: str = "",
    status: int = 200,
) -> HttpResponse:
    fields = close_out_fields(page, typed, request.user.measure_system)
    if not typed.values:
        fields = replace(fields, client_id=str(uuid.uuid4()), opened_at=now.isoformat())
    context = {
        "page": page,
        "keeps_place": settings.PHOTOS_KEEP_PLACE,
        "fields": fields,
        "problems": [] if conflict else typed.problems,
        "conflict": conflict,
        "reasons": RemovalReason.choices,
        "outcomes": Outcome.choices,
        "back_url": reverse("day", kwargs={"on": f"{page.day:%Y-%m-%d}"}),
    }
    return render(request, "visits/close_out.html", context, status=status)


def _thanks(page: CloseOutPage, row: CloseOut) -> str:
    if row.outcome == Outcome.NOT_DONE:
        return gettext("%(number)s is noted as not done; the planner sees why and plans it again.") % {
            "number": page.number
        }
    if row.outcome == Outcome.BEDDING:
        return gettext(
            "%(number)s is closed; the bed stands overnight and its second flush is on the list."
        ) % {"number": page.number}
    return gettext("%(number)s is closed.") % {"number": page.number}


def _sent(request: HttpRequest) -> dict | None:
    if len(request.body) > MOST_SENT_BYTES:
        return None
    try:
        sent = json.loads(request.body)
        ok = str(sent["order"]).isdigit() and isinstance(sent["fields"], dict)
    except (ValueError, KeyError, TypeError):
        return None
    return sent if ok else None


def _answer(status: int, message: str, *, problems: list[EntryProblem] | None = None) -> JsonResponse:
    listed = [{"field": one.field, "message": one.message} for one in problems or []]
    return JsonResponse({"message": message, "problems": listed}, status=status)
