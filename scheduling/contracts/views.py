"""One plan: its prices by date, its discounts and pauses, and what the owner may change of them."""

from collections.abc import Callable
from typing import Any

from django import forms
from django.conf import settings
from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils.translation import gettext
from django.views.decorators.http import require_GET, require_POST

from fleet.models import AuditArea
from scheduling.contracts import prices
from scheduling.contracts import tables as tables
from scheduling.contracts.forms import EndForm, PeriodForm, PriceForm, TermsForm
from scheduling.models import PlanPeriod, PlanTerms, ServicePlan
from scheduling.pages.request_context import note_change, now_and_today, of_own_branch
from shared.access import requires
from shared.errors import DomainError
from shared.messages import message
from shared.roles import Permission
from shared.tables import render_or_export
from shared.translation import translate

PAUSE = 100


@requires(Permission.SEE_REVENUE)
@require_GET
def owner_plan(request: HttpRequest, code: str) -> HttpResponse:
    """Show a plan's terms."""
    return _page(request, _plan(request, code))


@requires(Permission.CORRECT_MONEY)
@require_POST
@transaction.atomic
def set_plan_price(request: HttpRequest, code: str) -> HttpResponse:
    """Add a price from a day on."""
    plan, form = _plan(request, code), PriceForm(request.POST)

    def add(data: dict[str, Any]) -> None:
        price = prices.set_price(plan, **data)
        note_change(request, message("plan price set"), AuditArea.MONEY, plan.code, prices.told_price(price))

    if form.is_valid() and did(form, add):
        messages.success(
            request,
            gettext("From %(from_on)s on %(code)s has its new price.")
            % {"from_on": form.cleaned_data["from_on"], "code": plan.code},
        )
        return redirect("owner_plan", code=code)
    return _page(request, plan, price_form=form)


@requires(Permission.CORRECT_MONEY)
@require_POST
@transaction.atomic
def add_plan_period(request: HttpRequest, code: str) -> HttpResponse:
    """Add a discount or a pause."""
    now, _ = now_and_today(request)
    plan, form = _plan(request, code), PeriodForm(request.POST)

    def add(data: dict[str, Any]) -> None:
        given = {**data, "by": request.user, "now": now}
        if data["percent_off"] == PAUSE:
            given.pop("percent_off")
            period = prices.pause(plan, **given)
        else:
            period = prices.discount(plan, **given)
        told = prices.told_period(period)
        note_change(request, message("discount or pause set"), AuditArea.MONEY, plan.code, told)

    if form.is_valid() and did(form, add):
        messages.success(
            request,
            gettext("%(code)s earns less from %(from_on)s on.")
            % {"code": plan.code, "from_on": form.cleaned_data["from_on"]},
        )
        return redirect("owner_plan", code=code)
    return _page(request, plan, period_form=form)


@requires(Permission.CORRECT_MONEY)
@require_POST
@transaction.atomic
def end_plan_period(request: HttpRequest, code: str) -> HttpResponse:
    """End a discount or pause that goes on."""
    plan, form = _plan(request, code), EndForm(request.POST)
    if not form.is_valid():
        messages.error(request, gettext("Give the first day after it."))
        return redirect("owner_plan", code=code)
    period = get_object_or_404(PlanPeriod, pk=form.cleaned_data["period"], plan=plan)
    try:
        prices.end_period(period, to_on=form.cleaned_data["to_on"])
    except DomainError as error:
        messages.error(request, translate(error))
    else:
        detail = f"on {form.cleaned_data['to_on']}"
        note_change(request, message("discount or pause ended"), AuditArea.MONEY, plan.code, detail)
    return redirect("owner_plan", code=code)


@requires(Permission.CORRECT_MONEY)
@require_POST
def set_plan_terms(request: HttpRequest, code: str) -> HttpResponse:
    """Add what the yearly rise and the included visits become from a day on."""
    now, _ = now_and_today(request)
    plan, form = _plan(request, code), TermsForm(request.POST)
    given = {"by": request.user, "now": now}
    if form.is_valid() and did(form, lambda data: prices.set_terms(plan, **data, **given)):
        messages.success(
            request,
            gettext("From %(from_on)s on %(code)s has its new terms.")
            % {"from_on": form.cleaned_data["from_on"], "code": plan.code},
        )
        return redirect("owner_plan", code=code)
    return _page(request, plan, terms_form=form)


@requires(Permission.CORRECT_MONEY)
@require_POST
def take_back_plan_terms(request: HttpRequest, code: str, pk: int) -> HttpResponse:
    """Take terms back; their row stays."""
    now, _ = now_and_today(request)
    terms = get_object_or_404(PlanTerms, pk=pk, plan=_plan(request, code))
    terms.void(by=request.user, now=now)
    messages.success(request, gettext("The terms from %(from_on)s on are void.") % {"from_on": terms.from_on})
    return redirect("owner_plan", code=code)


def did(form: forms.Form, do: Callable[[dict[str, Any]], object]) -> bool:
    """Do what the form asks for; a refusal becomes the form's own error."""
    try:
        do(form.cleaned_data)
    except DomainError as error:
        form.add_error(error.field if error.field in form.fields else None, translate(error))
        return False
    return True


def _plan(request: HttpRequest, code: str) -> ServicePlan:
    plans = ServicePlan.objects.select_related("site__customer", "treatment_unit")
    return get_object_or_404(of_own_branch(request, plans, "site__branch_id"), code=code)


def _page(
    request: HttpRequest,
    plan: ServicePlan,
    *,
    price_form: PriceForm | None = None,
    period_form: PeriodForm | None = None,
    terms_form: TermsForm | None = None,
) -> HttpResponse:
    _, today = now_and_today(request)
    given = [form for form in (price_form, period_form, terms_form) if form is not None]
    terms = list(plan.terms.select_related("made_by", "taken_back_by").order_by("-from_on", "-pk"))
    first = PlanTerms(
        from_on=plan.starts_on, escalator_percent=plan.escalator_percent,
        included_visits_per_year=plan.included_visits_per_year,
    )  # fmt: skip
    price = gettext("Per %(get_interval_display)s, %(currency)s") % {
        "get_interval_display": plan.get_interval_display().lower(),
        "currency": settings.CURRENCY,
    }
    return render_or_export(
        request,
        "contracts/owner_plan.html",
        {
            "plan": plan,
            "now_holds": prices.terms_on(plan, today),
            "price_form": price_form or PriceForm(),
            "period_form": period_form or PeriodForm(),
            "terms_form": terms_form or TermsForm(),
        },
        status=400 if given else 200,
        prices=tables.PRICES.of(plan.prices.order_by("-from_on"), more=(tables.price_of(price),)),
        terms=tables.TERMS.of([*terms, first], every=lambda: terms),
        periods=tables.PERIODS.of(plan.periods.select_related("made_by").order_by("-from_on")),
    )
