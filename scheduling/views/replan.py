"""Sick calls and urgent work, driving times set by hand, and the planner's prices."""

from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from scheduling import tasks
from scheduling.models import PlanPriceList, Replan, TravelCorrection
from scheduling.plan_forms import CorrectionForm, PricesForm, ReplanForm
from scheduling.queries import route_moves as queries
from scheduling.services import plan_settings, replanning
from scheduling.views.edge import branch_of, now_and_today
from shared.access import requires
from shared.errors import CannotDo
from shared.roles import Permission


@requires(Permission.PLAN_ROUTES)
@require_http_methods(["GET", "POST"])
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
    context = {"asked": asked, "row": asked.proposal, "effect": queries.effect_row(asked.effect)}
    return render(request, "scheduling/replan_result.html", context)


@requires(Permission.PLAN_ROUTES)
@require_POST
def undo_replan(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a re-plan and its absence back."""
    asked = _replan_of(request, pk)
    now, _ = now_and_today(request)
    try:
        replanning.undo(asked, by=request.user, now=now)
    except CannotDo as error:
        messages.error(request, str(error))
    else:
        messages.success(request, "Undone. The absence is gone and the routes are as they were.")
    return redirect("replan_result", pk=pk)


@requires(Permission.PLAN_ROUTES)
@require_http_methods(["GET", "POST"])
def travel_times(request: HttpRequest) -> HttpResponse:
    """Set driving times by hand, and say where the others come from."""
    now, _ = now_and_today(request)
    form = CorrectionForm(request.POST or None, branch_id=branch_of(request))
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        try:
            kept = plan_settings.set_correction(
                data["site_a"], data["site_b"], minutes=data["minutes"], because=data["because"],
                by=request.user, now=now,
            )  # fmt: skip
        except CannotDo as error:
            form.add_error(error.field or None, str(error))
        else:
            messages.success(request, f"Kept: {kept.minutes} min, both ways. The next plan uses it.")
            return redirect("travel_times")
    context = {
        "form": form,
        "rows": queries.correction_rows(branch_of(request)),
        "has_engine": bool(settings.ROAD_ENGINE_URL),
    }
    return render(request, "scheduling/travel.html", context, status=422 if form.errors else 200)


@requires(Permission.PLAN_ROUTES)
@require_POST
def remove_travel_time(request: HttpRequest, pk: int) -> HttpResponse:
    """Let the road engine or the estimate count again."""
    rows = TravelCorrection.objects.all()
    if branch_id := branch_of(request):
        rows = rows.filter(site_a__branch_id=branch_id)
    plan_settings.remove_correction(get_object_or_404(rows, pk=pk))
    messages.success(request, "Removed. The next plan works the drive out again.")
    return redirect("travel_times")


@requires(Permission.PLAN_ROUTES)
@require_http_methods(["GET", "POST"])
def plan_prices(request: HttpRequest) -> HttpResponse:
    """Show and change what the planner weighs."""
    now, today = now_and_today(request)
    current = plan_settings.price_list_on(today) or PlanPriceList(from_on=today)
    if request.method == "POST":
        form = PricesForm(request.POST)
        if form.is_valid():
            try:
                kept = plan_settings.change_prices(
                    form.values(), from_on=form.cleaned_data["from_on"], by=request.user, now=now, today=today
                )
            except CannotDo as error:
                form.add_error(error.field or None, str(error))
            else:
                messages.success(
                    request, f"Kept. Plans that begin on {kept.from_on:%d %b %Y} or later use them."
                )
                return redirect("plan_prices")
    else:
        form = PricesForm(instance=current, initial={"from_on": today})
    rows = PlanPriceList.objects.select_related("made_by")[:20]
    context = {"form": form, "rows": rows, "current": current}
    return render(request, "scheduling/plan_prices.html", context, status=422 if form.errors else 200)


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
        form.add_error(error.field if error.field in form.fields else None, str(error))
        return None
    tasks.replan_routes.delay_on_commit(replan_id=made.pk)
    return made


def _replan_of(request: HttpRequest, pk: int) -> Replan:
    found = queries.replan_of(pk, branch_of(request))
    if found is None:
        raise Http404("There is no such re-plan in your branch.")
    return found
