"""What is done to many rows of a list at once.

Work orders: the list, one order, withdrawing, raising one-off work.
"""

import uuid
from urllib.parse import urlencode

from django import forms
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext, gettext_lazy, ngettext
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fleet.models import TreatmentUnit
from scheduling.models import ViewOf, WorkOrder
from scheduling.orders import selectors as orders
from scheduling.orders import work_orders as service
from scheduling.orders.forms import OneOffForm, OrderFilterForm, WithdrawForm
from scheduling.orders.kinds import BY_HAND
from scheduling.orders.order_page import order_sheet
from scheduling.orders.tables import ORDERS
from scheduling.pages.forms import DayInput
from scheduling.pages.request_context import (
    branch_of,
    is_metric,
    now_and_today,
    of_own_branch,
    page_number,
    paging,
)
from scheduling.pages.saved_views import view_links
from shared.access import requires
from shared.errors import DomainError
from shared.heavy_posts import rate_limited
from shared.roles import Permission, may
from shared.tables import asked_file
from shared.translation import translate


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
@rate_limited
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


@requires(BY_HAND.raised_by_hand)
@require_POST
@rate_limited
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
        except DomainError as error:
            form.add_error(error.field if error.field in form.fields else None, translate(error))
        else:
            messages.success(
                request,
                gettext("Raised: %(made)s. The next plan will take them up.") % {"made": counted(len(made))},
            )
            return redirect(f"{reverse('work_orders')}?kind={BY_HAND.kind}")
    return _work_page(request, serials, form)


@requires(Permission.MANAGE_WORK)
@require_http_methods(["POST"])
@rate_limited
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
        except DomainError as error:
            form.add_error(None, translate(error))
        else:
            query = urlencode({"state": "withdrawn", "sort": "-due"})
            request.session["withdrawn_together"] = [order.pk for order in orders]
            return redirect(f"{reverse('work_orders')}?{query}")
    context = {"orders": orders, "form": form}
    return render(request, "orders/withdraw_chosen.html", context, status=422 if form.errors else 200)


@requires(Permission.MANAGE_WORK)
@require_POST
@rate_limited
def reopen_chosen(request: HttpRequest) -> HttpResponse:
    """Undo a withdrawal of many."""
    now, _ = now_and_today(request)
    request.session.pop("withdrawn_together", None)
    try:
        made = service.reopen_many(_orders(request), by=request.user, reason="Withdrawn by mistake.", now=now)
    except DomainError as error:
        messages.error(request, translate(error))
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
    return render(request, "orders/work_for_chosen.html", {"form": form, "units": units}, status=status)


def _units(request: HttpRequest, serials: list[str]) -> list[TreatmentUnit]:
    units = TreatmentUnit.objects.select_related("site").filter(serial__in=serials).order_by("serial")
    return list(of_own_branch(request, units, "site__branch_id"))


def _orders(request: HttpRequest) -> list[WorkOrder]:
    asked = [int(text) for text in request.POST.getlist("chosen") if text.isascii() and text.isdigit()]
    orders = WorkOrder.objects.select_related("treatment_unit", "site").filter(pk__in=asked).order_by("pk")
    return list(of_own_branch(request, orders, "site__branch_id"))


@requires(Permission.SEE_WORK)
@require_GET
def work_orders(request: HttpRequest, form: str = "") -> HttpResponseBase:
    """List orders by filter, sort and page, or send all of them."""
    _, today = now_and_today(request)
    choice = OrderFilterForm(request.GET, areas=_asked_area(request)).choice(
        sort=request.GET.get("sort", "due"), branch_id=branch_of(request)
    )
    every = ORDERS.of((), every=lambda: orders.every_row(choice, today))
    if file := asked_file(request, form, orders=every):
        return file
    found = orders.order_page(choice, today=today, page=page_number(request))
    context = {
        "form": OrderFilterForm(request.GET or None, areas=found.areas),
        "found": found,
        "lists": {"orders": ORDERS.of(found.rows, sort=choice.sort)},
        "paging": paging(
            request,
            page=found.page,
            pages=found.pages,
            total=found.total,
            size=orders.PAGE_SIZE,
            what="orders",
        ),
        "saved": view_links(request, ViewOf.ORDERS),
        "withdrawn": withdrawn_together(request),
        "is_filtered": any(request.GET.get(name) for name in OrderFilterForm.base_fields),
    }
    return render(request, "orders/work_orders.html", context)


@requires(Permission.SEE_WORK)
@require_GET
def work_order(request: HttpRequest, pk: int) -> HttpResponse:
    """Show one order."""
    return _order_page(request, pk, WithdrawForm())


@requires(Permission.MANAGE_WORK)
@require_POST
def withdraw_order(request: HttpRequest, pk: int) -> HttpResponse:
    """Withdraw an order, with its reason."""
    order = _order_in_branch(request, pk)
    now, _ = now_and_today(request)
    form = WithdrawForm(request.POST)
    if form.is_valid():
        try:
            service.withdraw(order, by=request.user, reason=form.cleaned_data["reason"], now=now)
        except DomainError as error:
            form.add_error(None, translate(error))
        else:
            messages.success(
                request,
                gettext("%(pk)s is withdrawn. Its history keeps your reason.") % {"pk": orders.number_of(pk)},
            )
            return redirect("work_order", pk=pk)
    return _order_page(request, pk, form, status=422)


@requires(Permission.MANAGE_WORK)
@require_POST
def reopen_order(request: HttpRequest, pk: int) -> HttpResponse:
    """Open a withdrawn order again."""
    order = _order_in_branch(request, pk)
    now, _ = now_and_today(request)
    try:
        service.reopen(order, by=request.user, reason=request.POST.get("reason", "")[:160], now=now)
    except DomainError as error:
        messages.error(request, translate(error))
    else:
        messages.success(request, gettext("%(pk)s is open again.") % {"pk": orders.number_of(pk)})
    return redirect("work_order", pk=pk)


@requires(BY_HAND.raised_by_hand)
@require_http_methods(["GET", "POST"])
def new_order(request: HttpRequest) -> HttpResponse:
    """Raise one-off work."""
    now, today = now_and_today(request)
    asked = {"serial": request.GET.get("unit", ""), "window_from": today, "client_id": uuid.uuid4()}
    form = OneOffForm(request.POST or None, branch_id=branch_of(request), initial=asked)
    if request.method == "POST" and form.is_valid():
        data = form.cleaned_data
        try:
            order = service.raise_one_off(
                treatment_unit=data["serial"], why=data["why"], window_from=data["window_from"],
                window_to=data["window_to"], minutes=data["minutes"], skills=list(data["skills"]),
                client_id=data["client_id"], by=request.user, now=now,
            )  # fmt: skip
        except DomainError as error:
            form.add_error(error.field if error.field in form.fields else None, translate(error))
        else:
            messages.success(
                request,
                gettext("%(pk)s is raised. The next plan will take it up.")
                % {"pk": orders.number_of(order.pk)},
            )
            return redirect("work_order", pk=order.pk)
    status = 422 if form.errors else 200
    return render(request, "orders/new_order.html", {"form": form}, status=status)


def _order_page(request: HttpRequest, pk: int, form: WithdrawForm, status: int = 200) -> HttpResponse:
    now, today = now_and_today(request)
    sheet = order_sheet(
        pk,
        now=now,
        today=today,
        branch_id=branch_of(request),
        is_metric=is_metric(request),
        sees_stock=may(request.user.role, Permission.SEE_STOCK),
    )
    if sheet is None:
        raise Http404(gettext("There is no such order in your branch."))
    context = {"sheet": sheet, "row": sheet.row, "today": today, "form": form}
    return render(request, "orders/work_order.html", context, status=status)


def _order_in_branch(request: HttpRequest, pk: int) -> WorkOrder:
    return get_object_or_404(of_own_branch(request, WorkOrder.objects.all(), "site__branch_id"), pk=pk)


def _asked_area(request: HttpRequest) -> list[str]:
    """Let the filter accept whatever area the address names; an unknown one finds nothing."""
    area = request.GET.get("area", "")
    return [area] if area else []
