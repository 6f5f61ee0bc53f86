"""What is done to many rows of a list at once."""

import uuid
from urllib.parse import urlencode

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.translation import gettext, gettext_lazy, ngettext
from django.views.decorators.http import require_http_methods, require_POST

from fleet.models import TreatmentUnit
from scheduling.forms import DayInput, WithdrawForm
from scheduling.models import WorkOrder
from scheduling.services import many_orders as service
from scheduling.views.edge import branch_of, is_metric, now_and_today
from shared.access import requires
from shared.errors import CannotDo
from shared.heavy_posts import is_heavy
from shared.roles import Permission
from shared.told import told


class WorkForManyForm(forms.Form):
    """The same work at every chosen treatment unit."""

    client_id = forms.UUIDField(widget=forms.HiddenInput)
    why = forms.CharField(
        label=gettext_lazy("What is to be done, and why"), widget=forms.Textarea(attrs={"rows": 3})
    )
    window_from = forms.DateField(label=gettext_lazy("Not before"), widget=DayInput())
    window_to = forms.DateField(label=gettext_lazy("Not after"), widget=DayInput())
    minutes = forms.IntegerField(
        label=gettext_lazy("Minutes on site, each"), min_value=5, max_value=720, initial=45
    )


@requires(Permission.MANAGE_WORK)
@require_POST
@is_heavy
def with_chosen_units(request: HttpRequest) -> HttpResponse:
    """Lead from ticked treatment units to what is to be done with them."""
    serials = request.POST.getlist("chosen")[: service.MOST_AT_ONCE]
    if not serials:
        messages.error(request, gettext("No treatment unit is chosen. Tick at least one in the list."))
        return redirect("fleet_list")
    if request.POST.get("do") == "labels":
        stock = "a4_3x8" if is_metric(request) else "letter_3x8"
        query = urlencode({"serials": " ".join(serials), "stock": stock, "first": 1})
        return redirect(f"{reverse('labels')}?{query}")
    return _work_page(request, serials, None)


@requires(Permission.MANAGE_WORK)
@require_POST
@is_heavy
def raise_for_chosen(request: HttpRequest) -> HttpResponse:
    """Raise the same work at every chosen treatment unit, all or none."""
    serials = request.POST.getlist("chosen")
    form = WorkForManyForm(request.POST)
    if form.is_valid():
        now, _ = now_and_today(request)
        try:
            made = service.raise_for_many(
                _units(request, serials), by=request.user, now=now, **form.cleaned_data
            )
        except CannotDo as error:
            form.add_error(error.field if error.field in form.fields else None, told(str(error)))
        else:
            messages.success(
                request,
                gettext("Raised: %(made)s. The next plan will take them up.") % {"made": counted(len(made))},
            )
            return redirect(f"{reverse('work_orders')}?kind=one_off")
    return _work_page(request, serials, form)


@requires(Permission.MANAGE_WORK)
@require_http_methods(["POST"])
@is_heavy
def withdraw_chosen(request: HttpRequest) -> HttpResponse:
    """Ask for one reason, then withdraw every chosen order, all or none."""
    orders = _orders(request)
    if not orders:
        messages.error(request, gettext("No order is chosen. Tick at least one in the list."))
        return redirect("work_orders")
    form = WithdrawForm(request.POST if "reason" in request.POST else None)
    if form.is_valid():
        now, _ = now_and_today(request)
        try:
            service.withdraw_many(orders, by=request.user, reason=form.cleaned_data["reason"], now=now)
        except CannotDo as error:
            form.add_error(None, told(str(error)))
        else:
            query = urlencode({"state": "withdrawn", "sort": "-due"})
            request.session["withdrawn_together"] = [order.pk for order in orders]
            return redirect(f"{reverse('work_orders')}?{query}")
    context = {"orders": orders, "form": form}
    return render(request, "scheduling/withdraw_chosen.html", context, status=422 if form.errors else 200)


@requires(Permission.MANAGE_WORK)
@require_POST
@is_heavy
def reopen_chosen(request: HttpRequest) -> HttpResponse:
    """Undo a withdrawal of many."""
    now, _ = now_and_today(request)
    request.session.pop("withdrawn_together", None)
    try:
        made = service.reopen_many(_orders(request), by=request.user, reason="Withdrawn by mistake.", now=now)
    except CannotDo as error:
        messages.error(request, told(str(error)))
    else:
        messages.success(request, gettext("Open again: %(made)s.") % {"made": counted(len(made))})
    return redirect("work_orders")


def withdrawn_together(request: HttpRequest) -> list[int]:
    """Return the orders withdrawn in one go just now, once, so that the list can offer to undo it."""
    return request.session.pop("withdrawn_together", [])


def counted(count: int) -> str:
    """Write a number of orders with its noun."""
    return ngettext("%(count)s order", "%(count)s orders", count) % {"count": count}


def _work_page(request: HttpRequest, serials: list[str], form: WorkForManyForm | None) -> HttpResponse:
    _, today = now_and_today(request)
    units = _units(request, serials)
    status = 422 if form is not None else 200
    form = form or WorkForManyForm(initial={"client_id": uuid.uuid4(), "window_from": today})
    return render(request, "scheduling/work_for_chosen.html", {"form": form, "units": units}, status=status)


def _units(request: HttpRequest, serials: list[str]) -> list[TreatmentUnit]:
    units = TreatmentUnit.objects.select_related("site").filter(serial__in=serials).order_by("serial")
    if branch_id := branch_of(request):
        units = units.filter(site__branch_id=branch_id)
    return list(units)


def _orders(request: HttpRequest) -> list[WorkOrder]:
    asked = [int(text) for text in request.POST.getlist("chosen") if text.isascii() and text.isdigit()]
    orders = WorkOrder.objects.select_related("treatment_unit", "site").filter(pk__in=asked).order_by("pk")
    if branch_id := branch_of(request):
        orders = orders.filter(site__branch_id=branch_id)
    return list(orders)
