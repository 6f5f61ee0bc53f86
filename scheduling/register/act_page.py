"""The page of one act: its form, what it will do, and what is wrong beside the fields."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from django import forms
from django.contrib import messages
from django.db.models import Model, Q, QuerySet
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render

from fleet.models import Customer, Site, TreatmentUnit
from fleet.people.audit import Actor
from scheduling.pages.request_context import branch_of, now_and_today
from scheduling.register.forms import RegisterForm, refuse
from shared.errors import DomainError


@dataclass(frozen=True)
class ActPage:
    """What the page says around its form."""

    title: str
    button: str
    back: str
    """Address of the page one comes from."""
    back_words: str
    lead: str = ""
    asks_first: bool = False
    """What it does is shown before it is kept; a second press keeps it."""


def actor_of(request: HttpRequest) -> Actor:
    """Return who acts now."""
    return Actor(request.user, now_and_today(request)[0])


def do_act(
    request: HttpRequest,
    page: ActPage,
    form: forms.Form,
    act: Callable[[dict[str, Any]], object],
    *,
    done: Callable[[Any], tuple[str, str]],
    effects: Callable[[dict[str, Any]], Sequence[str]] = lambda data: (),
    formset: forms.BaseFormSet | None = None,
    also: dict[str, Any] | None = None,
) -> HttpResponse:
    """Show the form, or do what it asks for and lead to where that is seen.

    ``done`` takes what ``act`` returns and gives the sentence and the address that follow; ``effects`` takes
    the cleaned values, none of them before a first press.
    """
    told: Sequence[str] = [] if page.asks_first else effects({})
    is_asked = False
    if request.method == "POST":
        is_good = form.is_valid()
        is_good = (formset is None or formset.is_valid()) and is_good
        if is_good and page.asks_first:
            told, is_asked = effects(form.cleaned_data), True
        if is_good and (not page.asks_first or request.POST.get("do") == "keep"):
            try:
                made = act(form.cleaned_data)
            except DomainError as error:
                form.refuse(error) if isinstance(form, RegisterForm) else refuse(form, error)
            else:
                sentence, address = done(made)
                messages.success(request, sentence)
                return redirect(address)
    has_errors = bool(form.errors) or (formset is not None and formset.is_bound and any(formset.errors))
    context = {"page": page, "form": form, "effects": told, "is_asked": is_asked, "formset": formset}
    status = 422 if has_errors else 200
    return render(request, "register/act.html", context | (also or {}), status=status)


def find_unit(request: HttpRequest, serial: str) -> TreatmentUnit:
    """Return a unit the person sees, or 404."""
    rows = TreatmentUnit.objects.select_related("site__customer", "unit_model")
    return get_object_or_404(_here(rows, "site__branch_id", request), serial=serial)


def find_site(request: HttpRequest, code: str) -> Site:
    """Return a site the person sees, or 404."""
    return get_object_or_404(sites_of(request).select_related("customer", "branch"), code=code)


def sites_of(request: HttpRequest) -> QuerySet[Site]:
    """Return the sites the person sees."""
    return _here(Site.objects.all(), "branch_id", request)


def customers_of(request: HttpRequest) -> QuerySet[Customer]:
    """Return the customers the person sees: those with a site of the branch, or with none yet."""
    rows = Customer.objects.filter(merged_into__isnull=True)
    branch_id = branch_of(request)
    if branch_id is None:
        return rows
    here = Site.objects.filter(branch_id=branch_id).values("customer_id")
    return rows.filter(Q(pk__in=here) | Q(sites__isnull=True)).distinct()


def own_customers(request: HttpRequest) -> QuerySet[Customer]:
    """Return the customers whose every site the person sees: who sees a part alone can't merge the whole."""
    branch_id = branch_of(request)
    rows = customers_of(request)
    if branch_id is None:
        return rows
    return rows.exclude(pk__in=Site.objects.exclude(branch_id=branch_id).values("customer_id"))


def _here(rows: QuerySet[Model], way: str, request: HttpRequest) -> QuerySet:
    branch_id = branch_of(request)
    return rows.filter(**{way: branch_id}) if branch_id else rows
