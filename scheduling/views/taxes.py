"""Taxes by date, and what the owner may change of them."""

from django.contrib import messages
from django.db.models import Exists, OuterRef
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils.translation import gettext
from django.views.decorators.http import require_GET, require_POST

from scheduling.models import InvoiceLine, TaxRate
from scheduling.plan_terms_forms import TaxRateForm
from scheduling.services import taxes
from scheduling.views import list_columns
from scheduling.views.downloads import ListFile, page_or_file
from scheduling.views.edge import now_and_today
from scheduling.views.owner_plan import did
from shared.access import requires
from shared.errors import CannotDo
from shared.roles import Permission
from shared.told import told


@requires(Permission.SEE_REVENUE)
@require_GET
def tax_rates(request: HttpRequest) -> HttpResponse:
    """Show every rate, those taken back as well."""
    return _page(request, TaxRateForm(), 200)


@requires(Permission.CORRECT_MONEY)
@require_POST
def add_tax_rate(request: HttpRequest) -> HttpResponse:
    """Add a tax, or a new rate of one."""
    now, _ = now_and_today(request)
    form = TaxRateForm(request.POST)

    def add(data: dict) -> None:
        values = {name: value for name, value in data.items() if name != "from_on"}
        taxes.add_rate(values, from_on=data["from_on"], by=request.user, now=now)

    if form.is_valid() and did(form, add):
        messages.success(
            request,
            gettext("%(code)s holds from %(from_on)s.")
            % {"code": form.cleaned_data["code"], "from_on": form.cleaned_data["from_on"]},
        )
        return redirect("tax_rates")
    return _page(request, form, 400)


@requires(Permission.CORRECT_MONEY)
@require_POST
def take_back_tax_rate(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a rate back that no batch has used; its row stays."""
    now, _ = now_and_today(request)
    rate = get_object_or_404(TaxRate, pk=pk)
    try:
        taxes.take_back_rate(rate, by=request.user, now=now)
    except CannotDo as error:
        messages.error(request, told(str(error)))
    else:
        messages.success(
            request,
            gettext("%(code)s from %(from_on)s on is taken back.")
            % {"code": rate.code, "from_on": rate.from_on},
        )
    return redirect("tax_rates")


def _page(request: HttpRequest, form: TaxRateForm, status: int) -> HttpResponse:
    used = InvoiceLine.objects.filter(tax_rate=OuterRef("pk"))
    rates = (
        TaxRate.objects.select_related("made_by", "taken_back_by")
        .annotate(is_used=Exists(used))
        .order_by("code", "-from_on", "-pk")
    )
    return page_or_file(
        request,
        "scheduling/owner_taxes.html",
        {"rates": rates, "form": form},
        status=status,
        rates=ListFile("tax rates", list_columns.TAX_RATES, lambda: rates),
    )
