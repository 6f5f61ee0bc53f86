"""Entering by hand: find the unit, then what was told on the telephone or came in the post."""

from typing import Final

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.http import require_GET, require_http_methods

from fleet.models import TreatmentUnit
from scheduling.entry.forms import FORMS, PartForm
from scheduling.entry.selectors import last_totals
from scheduling.orders.again import look_again
from scheduling.overview.fleet_list import FleetChoice, choose, rows_of
from scheduling.overview.treatment_unit import find_unit
from scheduling.pages.request_context import branch_of, now_and_today
from shared.access import requires
from shared.roles import Permission

MOST_FOUND: Final = 20


@requires(Permission.EDIT_FLEET)
@require_GET
def enter(request: HttpRequest) -> HttpResponse:
    """Find the treatment unit to enter something for; a single one found is opened."""
    now, today = now_and_today(request)
    words = request.GET.get("q", "").strip()[:80]
    rows, is_more = [], False
    if words:
        choice = FleetChoice(words=words, sort="serial", branch_id=branch_of(request))
        ids = list(choose(choice, now, today).values_list("id", flat=True)[: MOST_FOUND + 1])
        rows, is_more = rows_of(ids[:MOST_FOUND]), len(ids) > MOST_FOUND
        if len(ids) == 1:
            return redirect("enter_unit", serial=rows[0]["serial"])
    return render(request, "entry/enter.html", {"words": words, "rows": rows, "is_more": is_more})


@requires(Permission.EDIT_FLEET)
@require_http_methods(["GET", "POST"])
def enter_unit(request: HttpRequest, serial: str) -> HttpResponse:
    """Show what can be entered for a treatment unit, and keep it."""
    unit = _unit(request, serial)
    now, _ = now_and_today(request)
    with timezone.override(unit.site.time_zone):
        system, said = request.user.measure_system, None
        asked = request.POST.get("what")
        forms = [
            kind(unit, system, now, request.POST if kind.what == asked else None)
            for kind in FORMS
            if kind is not PartForm or unit.positions.exists()
        ]
        bound = next((form for form in forms if form.is_bound), None)
        if bound and bound.is_valid() and (said := bound.save(by=request.user, now=now)):
            look_again([unit.pk], now)
            messages.success(request, said)
            return redirect("enter_unit", serial=unit.serial)
        context = {"unit": unit, "forms": forms, "meters": last_totals(unit, now)}
        return render(request, "entry/enter_unit.html", context, status=422 if bound else 200)


def _unit(request: HttpRequest, serial: str) -> TreatmentUnit:
    unit = find_unit(serial, branch_of(request))
    if unit is None:
        raise Http404(gettext("There is no treatment unit %(serial)s.") % {"serial": serial})
    return unit
