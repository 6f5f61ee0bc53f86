"""Sick calls and urgent work: asked for, watched, published or undone."""

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from scheduling import tasks
from scheduling.models import Replan
from scheduling.plan_forms import ReplanForm
from scheduling.queries import route_moves as queries
from scheduling.services import replanning
from scheduling.views.edge import branch_of, now_and_today
from scheduling.views.proposals import progress_part
from shared.access import requires
from shared.errors import CannotDo
from shared.heavy_posts import is_heavy
from shared.roles import Permission
from shared.told import told


@requires(Permission.PLAN_ROUTES)
@require_http_methods(["GET", "POST"])
@is_heavy
def replan(request: HttpRequest) -> HttpResponse:
    """Take a sick call, or urgent work, and plan what is published anew."""
    now, today = now_and_today(request)
    form = ReplanForm(request.POST or None, branch_id=branch_of(request), initial={"first_on": today})
    if request.method == "POST" and form.is_valid() and (made := _begin(request, form, now)):
        return redirect("replan_result", pk=made.proposal_id)
    return render(request, "scheduling/replan.html", {"form": form}, status=422 if form.errors else 200)


@requires(Permission.SEE_WORK)
@require_GET
def replan_result(request: HttpRequest, pk: int) -> HttpResponse:
    """Show what a re-plan moves, and for whom, before it is published."""
    asked = _replan_of(request, pk)
    context = {
        "asked": asked,
        "row": asked.proposal,
        "effect": queries.effect_row(asked.effect),
        "page_url": reverse("replan_result", args=[pk]),
        "progress_url": reverse("replan_progress", args=[pk]),
    }
    return render(request, "scheduling/replan_result.html", context)


@requires(Permission.SEE_WORK)
@require_GET
def replan_progress(request: HttpRequest, pk: int) -> HttpResponse:
    """Return how far a re-plan has come; when it is over, have its page loaded anew."""
    return progress_part(request, _replan_of(request, pk).proposal, reverse("replan_result", args=[pk]))


@requires(Permission.PLAN_ROUTES)
@require_POST
def undo_replan(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a re-plan and its absence back."""
    asked = _replan_of(request, pk)
    now, _ = now_and_today(request)
    try:
        replanning.undo(asked, by=request.user, now=now)
    except CannotDo as error:
        messages.error(request, told(str(error)))
    else:
        messages.success(request, gettext("Undone. The absence is gone and the routes are as they were."))
    return redirect("replan_result", pk=pk)


def _begin(request: HttpRequest, form: ReplanForm, now) -> Replan | None:
    data = form.cleaned_data
    try:
        made = replanning.begin(
            data["branch"],
            technician=data["technician"],
            first_on=data["first_on"],
            last_on=data["last_on"],
            reason=data["reason"],
            urgent=replanning.orders_named(data["urgent"], data["branch"].pk),
            seconds=data["seconds"],
            by=request.user,
            now=now,
        )
    except CannotDo as error:
        form.add_error(error.field if error.field in form.fields else None, told(str(error)))
        return None
    tasks.replan_routes.beside(replan_id=made.pk)
    return made


def _replan_of(request: HttpRequest, pk: int) -> Replan:
    found = queries.replan_of(pk, branch_of(request))
    if found is None:
        raise Http404(gettext("There is no such re-plan in your branch."))
    return found
