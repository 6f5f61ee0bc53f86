"""A technician's last day: what it leaves to others is shown first, freed on a second word."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext, ngettext
from django.views.decorators.http import require_http_methods, require_POST

from scheduling.crew.forms import LeavingForm
from scheduling.crew.views import technicians_of
from scheduling.pages.request_context import now_and_day_of
from scheduling.routes import leaving
from shared.access import requires
from shared.errors import DomainError
from shared.roles import Permission
from shared.translation import translate


@requires(Permission.PLAN_ROUTES)
@require_http_methods(["GET", "POST"])
def technician_leaves(request: HttpRequest, code: str) -> HttpResponse:
    """Show what a last day leaves behind; let the technician go."""
    who = get_object_or_404(technicians_of(request), code=code)
    now, today = now_and_day_of(who)
    form = LeavingForm(request.POST or request.GET or {"last_on": today})
    left = None
    if form.is_valid():
        last_on = form.cleaned_data["last_on"]
        if request.method == "POST":
            try:
                done = leaving.leave(who, last_on=last_on, today=today, by=request.user, now=now)
            except DomainError as error:
                form.add_error("last_on", translate(error))
            else:
                freed = len(done.stops)
                messages.success(
                    request,
                    ngettext(
                        "%(name)s leaves on %(day)s. %(freed)s order is open again and waits for a plan.",
                        "%(name)s leaves on %(day)s. %(freed)s orders are open again and wait for a plan.",
                        freed,
                    )
                    % {"name": who.name, "day": last_on, "freed": freed},
                )
                return redirect("technician", code=code)
        left = leaving.left_behind(who, last_on)
    return render(
        request,
        "crew/leaving.html",
        {"who": who, "form": form, "left": left, "today": today},
        status=422 if form.errors else 200,
    )


@requires(Permission.PLAN_ROUTES)
@require_POST
def technician_stays(request: HttpRequest, code: str) -> HttpResponse:
    """Take a last day back."""
    who = get_object_or_404(technicians_of(request), code=code)
    now, _ = now_and_day_of(who)
    leaving.stay(who, by=request.user, now=now)
    messages.success(request, gettext("%(name)s stays.") % {"name": who.name})
    return redirect("technician", code=code)
