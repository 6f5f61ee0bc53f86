"""A plan starts, ends, goes on; many plans' prices change, shown before it is kept."""

from datetime import timedelta
from typing import Any

from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext, ngettext
from django.views.decorators.http import require_http_methods, require_POST

from fleet.models import Site
from fleet.templatetags.tapward import day
from scheduling.billing import plan_changes, tables
from scheduling.contracts.forms import NewPlanForm, PlanEndForm, PriceChangeForm
from scheduling.contracts.starting import start_plan
from scheduling.contracts.views import did
from scheduling.models import PriceChange, ServicePlan
from scheduling.pages.request_context import branch_of, now_and_today, of_own_branch
from shared.access import requires
from shared.errors import DomainError
from shared.periods import add_months, local_day, month_start
from shared.roles import Permission
from shared.tables import render_or_export
from shared.translation import translate


def _plan(request: HttpRequest, code: str) -> ServicePlan:
    plans = ServicePlan.objects.select_related("site__customer", "treatment_unit")
    return get_object_or_404(of_own_branch(request, plans, "site__branch_id"), code=code)


@requires(Permission.CORRECT_MONEY)
@require_http_methods(["GET", "POST"])
def new_plan(request: HttpRequest, code: str) -> HttpResponse:
    """Start a plan at a site."""
    site = get_object_or_404(of_own_branch(request, Site.objects.all()), code=code)
    now, _ = now_and_today(request)
    today = local_day(now, site.time_zone)
    form = NewPlanForm(request.POST or None, site=site, initial={"starts_on": today})
    made: list[ServicePlan] = []
    given = {"today": today, "by": request.user, "now": now}

    def start(data: dict[str, Any]) -> None:
        made.append(start_plan(site, **data, **given))

    if request.method == "POST" and form.is_valid() and did(form, start):
        messages.success(request, gettext("Plan %(code)s has started.") % {"code": made[0].code})
        return redirect("owner_plan", code=made[0].code)
    return render(
        request, "billing/plan_new.html", {"form": form, "site": site}, status=422 if form.errors else 200
    )


@requires(Permission.CORRECT_MONEY)
@require_http_methods(["GET", "POST"])
def end_plan(request: HttpRequest, code: str) -> HttpResponseBase:
    """Show what an end makes of a plan's money and visits; end it."""
    plan = _plan(request, code)
    now, _ = now_and_today(request)
    today = local_day(now, plan.site.time_zone)
    usual = add_months(month_start(today), 1) - timedelta(days=1)
    form = PlanEndForm(request.POST or request.GET or {"last_on": usual})
    found = None
    if form.is_valid():
        last_on = form.cleaned_data["last_on"]
        if request.method == "POST" and did(
            form,
            lambda data: plan_changes.end_plan(plan, **data, today=today, by=request.user, now=now),
        ):
            messages.success(
                request,
                gettext("%(code)s ends: its last day is %(last_on)s.")
                % {"code": plan.code, "last_on": day(last_on)},
            )
            return redirect("owner_plan", code=code)
        try:
            found = plan_changes.plan_end(plan, last_on, today=today)
        except DomainError as error:
            if "last_on" not in form.errors:
                form.add_error("last_on", translate(error))
    return render_or_export(
        request,
        "billing/plan_end.html",
        {"plan": plan, "form": form, "found": found},
        status=422 if form.errors else 200,
        months=tables.END_MONTHS.of(found.months if found else []),
    )


@requires(Permission.CORRECT_MONEY)
@require_POST
def undo_plan_end(request: HttpRequest, code: str) -> HttpResponse:
    """Let a plan go on."""
    plan = _plan(request, code)
    now, _ = now_and_today(request)
    try:
        plan_changes.undo_end(plan, by=request.user, now=now)
    except DomainError as error:
        messages.error(request, translate(error))
    else:
        messages.success(request, gettext("%(code)s goes on.") % {"code": plan.code})
    return redirect("owner_plan", code=code)


@requires(Permission.CORRECT_MONEY)
@require_http_methods(["GET", "POST"])
def price_changes(request: HttpRequest) -> HttpResponseBase:
    """Choose plans and a change, see old and new prices, keep it."""
    now, today = now_and_today(request)
    asked = request.POST or (request.GET if "from_on" in request.GET else None)
    form = PriceChangeForm(
        asked, branch_id=branch_of(request), initial={"from_on": add_months(month_start(today), 1)}
    )
    preview = None
    if asked and form.is_valid():
        data = form.cleaned_data
        what = {name: data[name] for name in ("from_on", "percent", "amount")}
        if request.method == "POST":
            change: list[PriceChange] = []
            shown = {"chosen": form.chosen(), "new_monthly": data["new_monthly"]}
            given = {**shown, "by": request.user, "now": now}
            if did(form, lambda _: change.append(plan_changes.change_prices(form.plans(), **what, **given))):
                count = len(change[0].lines)
                told = ngettext(
                    "%(count)s plan has its new price.", "%(count)s plans have their new prices.", count
                )
                messages.success(request, told % {"count": count})
                return redirect("price_changes")
        try:
            preview = plan_changes.price_preview(form.plans(), **what)
        except DomainError as error:
            if not form.errors:
                form.add_error(error.field if error.field in form.fields else None, translate(error))
    return render_or_export(
        request,
        "billing/price_changes.html",
        {"form": form, "preview": preview},
        status=422 if form.errors else 200,
        price_lines=tables.PRICE_LINES.of(preview.lines if preview else []),
        changes=tables.PRICE_CHANGES.of(list(_changes(request)[:50])),
    )


def _changes(request: HttpRequest) -> QuerySet[PriceChange]:
    """Return the changes that touched plans of the person's branch only."""
    rows = PriceChange.objects.select_related("made_by", "taken_back_by")
    if not branch_of(request):
        return rows
    own = ServicePlan.objects.filter(site__branch_id=branch_of(request)).values_list("code", flat=True)
    codes = set(own)
    kept = [row.pk for row in rows if row.lines and all(line["plan"] in codes for line in row.lines)]
    return rows.filter(pk__in=kept)


@requires(Permission.CORRECT_MONEY)
@require_POST
def undo_price_change(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a change of many prices back."""
    now, _ = now_and_today(request)
    change = get_object_or_404(_changes(request), pk=pk)
    try:
        plan_changes.undo_prices(change, by=request.user, now=now)
    except DomainError as error:
        messages.error(request, translate(error))
    else:
        messages.success(request, gettext("Taken back; the old prices hold."))
    return redirect("price_changes")
