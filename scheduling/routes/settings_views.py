"""What the planner is told: driving times by hand or learned from finished visits, and its prices."""

from django.conf import settings
from django.contrib import messages
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils.translation import gettext
from django.views.decorators.http import require_http_methods, require_POST

from fleet.models import AuditArea, Branch
from scheduling.models import PlanPriceList, TravelCorrection
from scheduling.pages.request_context import branch_of, note_change, now_and_today
from scheduling.routes import duration_factors, tables
from scheduling.routes import travel as queries
from scheduling.routes.duration_factors import title_of
from scheduling.routes.forms import CorrectionForm, PricesForm
from scheduling.routes.views import tell, tried
from shared.access import requires
from shared.messages import message
from shared.roles import Permission
from shared.tables import render_or_export
from shared.translation import written


@requires(Permission.PLAN_ROUTES)
@require_http_methods(["GET", "POST"])
def travel_times(request: HttpRequest) -> HttpResponse:
    """Set driving times by hand, and say where the others come from."""
    now, today = now_and_today(request)
    form = CorrectionForm(request.POST or None, branch_id=branch_of(request))
    if request.method == "POST" and form.is_valid():
        row = tried(form, lambda: queries.set_correction(**form.cleaned_data, by=request.user, now=now))
        if row is not None:
            text = gettext("Kept: %(minutes)s min, both ways. The next plan uses it.")
            messages.success(request, text % {"minutes": row.minutes})
            return redirect("travel_times")
    context = {
        "form": form,
        "rows": queries.correction_rows(branch_of(request)),
        "has_engine": bool(settings.ROAD_ENGINE_URL),
        "paces": queries.factor_rows(branch_of(request), now, queries.prices_on(today).site_visit),
    }
    return render_or_export(
        request,
        "routes/travel.html",
        context,
        status=422 if form.errors else 200,
        drives=tables.TRAVEL_TIMES.of(context["rows"]),
        paces=tables.PACES.of(
            [(one.branch.name, row) for one in context["paces"] for row in (*one.rows, *one.waiting)]
        ),
    )


@requires(Permission.PLAN_ROUTES)
@require_POST
@transaction.atomic
def remove_travel_time(request: HttpRequest, pk: int) -> HttpResponse:
    """Let the road engine or the estimate count again."""
    rows = TravelCorrection.objects.all()
    if branch_id := branch_of(request):
        rows = rows.filter(site_a__branch_id=branch_id)
    row = get_object_or_404(rows, pk=pk)
    queries.remove_correction(row)
    note_change(request, message("driving time removed"), AuditArea.PLANS, row)
    messages.success(request, gettext("Removed. The next plan works the drive out again."))
    return redirect("travel_times")


@requires(Permission.PLAN_ROUTES)
@require_POST
def accept_pace(request: HttpRequest) -> HttpResponse:
    """Let plans reckon with what finished visits teach."""
    now, today = now_and_today(request)
    try:
        factor = float(request.POST.get("factor", ""))
    except ValueError:
        raise Http404(gettext("There is no such factor.")) from None
    branch, what = _branch_named(request), request.POST.get("what", "")
    tell(
        request,
        lambda: duration_factors.accept(
            branch, what, factor_seen=factor, by=request.user, now=now,
            site_visit_min=queries.prices_on(today).site_visit,
        ),
        lambda row: gettext("%(what)s: the next plan reckons × %(factor)s.")
        % {"what": title_of(row.what), "factor": f"{row.factor:.2f}"},
    )  # fmt: skip
    return redirect("travel_times")


@requires(Permission.PLAN_ROUTES)
@require_POST
def give_back_pace(request: HttpRequest) -> HttpResponse:
    """Let plans reckon without a factor again."""
    now, _ = now_and_today(request)
    branch, what = _branch_named(request), request.POST.get("what", "")
    tell(
        request,
        lambda: duration_factors.give_back(branch, what, by=request.user, now=now),
        lambda row: gettext("%(what)s: the next plan reckons without a factor.") % {"what": title_of(what)},
    )
    return redirect("travel_times")


def _branch_named(request: HttpRequest) -> Branch:
    rows = Branch.objects.all()
    if branch_id := branch_of(request):
        rows = rows.filter(pk=branch_id)
    named = request.POST.get("branch", "")
    return get_object_or_404(rows, pk=int(named) if named.isascii() and named.isdigit() else 0)


@requires(Permission.PLAN_ROUTES)
@require_http_methods(["GET", "POST"])
def plan_prices(request: HttpRequest) -> HttpResponse:
    """Show and change what the planner weighs."""
    now, today = now_and_today(request)
    current = queries.price_list_on(today) or PlanPriceList(from_on=today)
    if request.method == "POST":
        form = PricesForm(request.POST)
        if form.is_valid():
            row = tried(
                form,
                lambda: queries.change_prices(**form.cleaned_data, by=request.user, now=now, today=today),
            )
            if row is not None:
                text = gettext("Kept. Plans that begin on %(from_on)s or later use them.")
                messages.success(request, text % {"from_on": written(row.from_on, "%d %b %Y")})
                return redirect("plan_prices")
    else:
        form = PricesForm(instance=current, initial={"from_on": today})
    rows = PlanPriceList.objects.select_related("made_by")[:20]
    context = {"form": form, "rows": rows, "current": current}
    return render_or_export(
        request,
        "routes/plan_prices.html",
        context,
        status=422 if form.errors else 200,
        prices=tables.PLANNER_PRICES.of(rows),
    )
