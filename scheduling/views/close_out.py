"""Closing an order out: the plain page, the phone's queue, and taking a close-out back."""

import json
import uuid
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from typing import Final

from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.dateparse import parse_datetime
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from fleet.models import RemovalReason
from scheduling.close_out_entry import Entry, EntryProblem, read_entry
from scheduling.models import CloseOut, Outcome, Technician
from scheduling.queries.close_out_page import CloseOutPage, close_out_page
from scheduling.queries.day import technician_of
from scheduling.services import close_outs as service
from scheduling.services.visits import record_visit
from scheduling.views.close_out_fields import Typed, close_out_fields
from scheduling.views.edge import branch_of, now_and_day_of, now_and_today
from scheduling.views.photos import checked_uploads, keep_all
from shared.access import requires
from shared.errors import CannotDo
from shared.roles import Permission
from shared.told import told

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
    page = _page(technician, pk, now)
    if request.method == "GET":
        return _render(request, page, Typed({}), now)
    typed = {name: request.POST.get(name, "") for name in request.POST}
    entry = _read(request, page, typed, now)
    if entry.form is None:
        return _render(request, page, Typed(typed, entry.problems), now, status=422)
    try:
        photos = checked_uploads(request, entry.form.client_id, now)
    except CannotDo as error:
        problem = EntryProblem(error.field, told(str(error)))
        return _render(request, page, Typed(typed, [problem]), now, status=422)
    try:
        row = _record(request, page, typed, entry, now)
    except CannotDo as error:
        return _refused(request, page, typed, error, now)
    try:
        keep_all(row, photos)
    except CannotDo as error:
        messages.warning(request, told(str(error)))
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
    page = close_out_page(technician, int(sent["order"]), now)
    if page is None:
        return _answer(
            409,
            gettext(
                "This order stands on no route of yours. It stays on the phone; ring the planner about it."
            ),
        )
    typed = {str(name): str(value) for name, value in sent["fields"].items()}
    entry = _read(request, page, typed, now)
    if entry.form is None:
        return _answer(422, gettext("Some fields need mending."), problems=entry.problems)
    try:
        row = _record(request, page, typed, entry, now)
    except CannotDo as error:
        return _answer(409, told(str(error)), problems=[EntryProblem(_field_of(error), told(str(error)))])
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
        messages.error(request, told(str(error)))
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


def _page(technician: Technician, pk: int, now: datetime) -> CloseOutPage:
    page = close_out_page(technician, pk, now)
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
    problems = [EntryProblem(_field_of(error), told(str(error)))] if error.field else []
    return _render(request, page, Typed(typed, problems), now, conflict=told(str(error)), status=409)


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
    return render(request, "scheduling/close_out.html", context, status=status)


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
