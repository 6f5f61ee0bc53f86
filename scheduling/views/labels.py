"""Labels with a QR code for treatment units, and where scanning one leads."""

from typing import Final
from urllib.parse import urlsplit
from uuid import UUID

from django import forms
from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext, gettext_lazy
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET

from fleet.models import TreatmentUnit
from scheduling.documents.label_sheet import STOCKS, label_sheet_pdf
from scheduling.documents.paper import font_folder
from scheduling.models import StockPlace
from scheduling.queries import labels as queries
from scheduling.queries.day import technician_of
from scheduling.queries.documents import unit_labels
from scheduling.views.documents import pdf_answer
from scheduling.views.edge import branch_of, is_metric, now_and_day_of
from shared.access import requires
from shared.errors import CannotDo
from shared.roles import Permission, may
from shared.told import told

MOST_LABELS: Final = 96
"""In one file, as a page should wait no longer than a second; more are printed in further files."""


class LabelForm(forms.Form):
    """Which labels, on which sheets."""

    words = forms.CharField(
        label=gettext_lazy("Search"),
        required=False,
        max_length=80,
        widget=forms.TextInput(
            attrs={"type": "search", "placeholder": gettext_lazy("Serial, site, customer")}
        ),
    )
    area = forms.ChoiceField(label=gettext_lazy("Area"), required=False)
    stock = forms.ChoiceField(
        label=gettext_lazy("Sheet"), choices=lambda: [(code, told(one.name)) for code, one in STOCKS.items()]
    )
    first = forms.IntegerField(
        label=gettext_lazy("Begin at place"),
        min_value=1,
        max_value=max(one.count for one in STOCKS.values()),
        initial=1,
        help_text=gettext_lazy("Counted by rows; for a sheet that was begun."),
    )
    serials = forms.CharField(required=False, max_length=30_000, widget=forms.HiddenInput)
    batch = forms.IntegerField(min_value=1, max_value=10_000, required=False, widget=forms.HiddenInput)

    def __init__(self, *args, areas: list[str], **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["area"].choices = [("", gettext("Any")), *((area, area) for area in areas)]


@requires(Permission.MANAGE_WORK)
@require_GET
def labels(request: HttpRequest) -> HttpResponse:
    """Choose labels to print."""
    form = _form(request)
    chosen = form.is_valid()
    data = form.cleaned_data if chosen else {}
    units = queries.units_to_label(
        words=data.get("words", ""),
        area=data.get("area", ""),
        serials=data.get("serials", "").split(),
        branch_id=branch_of(request),
    )
    count = units.count()
    example = request.build_absolute_uri(reverse("unit_label", args=[UUID(int=0)]))
    query = request.GET.copy()
    query.pop("batch", None)
    context = {
        "form": form,
        "count": count,
        "units": units[:12],
        "batches": [
            (number + 1, number * MOST_LABELS + 1, min((number + 1) * MOST_LABELS, count))
            for number in range(-(-count // MOST_LABELS))
        ],
        "query": query.urlencode() if chosen else f"stock={form['stock'].value()}&first=1",
        "host": urlsplit(example).netloc,
        "is_local": urlsplit(example).hostname in {"localhost", "127.0.0.1", "::1"},
    }
    return render(request, "scheduling/labels.html", context)


@requires(Permission.MANAGE_WORK)
@require_GET
def label_file(request: HttpRequest) -> HttpResponse:
    """Return one batch of labels as a PDF."""
    form = _form(request)
    if not form.is_valid():
        raise Http404(gettext("These labels can't be made. Choose them on the page of labels."))
    data = form.cleaned_data
    batch = data["batch"] or 1
    units = queries.units_to_label(
        words=data["words"], area=data["area"], serials=data["serials"].split(), branch_id=branch_of(request)
    )
    chosen = list(units[(batch - 1) * MOST_LABELS : batch * MOST_LABELS])
    made = unit_labels(
        chosen,
        company=settings.COMPANY_NAME,
        address_of=lambda unit: request.build_absolute_uri(reverse("unit_label", args=[unit.label_code])),
    )
    first = data["first"] if batch == 1 else 1
    try:
        content = label_sheet_pdf(
            made, stock=data["stock"], first=first, made_at=timezone.now(), fonts=font_folder()
        )
    except CannotDo as error:
        raise Http404(told(str(error))) from error
    return pdf_answer(content, f"labels-{batch}")


@requires(Permission.MANAGE_WORK)
@require_GET
def part_label_file(request: HttpRequest, code: str) -> HttpResponse:
    """Return labels for the parts at one place as a PDF, one for each piece."""
    places = StockPlace.objects.all()
    if branch_id := branch_of(request):
        places = places.filter(branch_id=branch_id)
    made = queries.part_labels(get_object_or_404(places, code=code), company=settings.COMPANY_NAME)
    stock = "a4_3x8" if is_metric(request) else "letter_3x8"
    try:
        content = label_sheet_pdf(
            made[:MOST_LABELS], stock=stock, made_at=timezone.now(), fonts=font_folder()
        )
    except CannotDo as error:
        raise Http404(gettext("Nothing lies here that could have a label.")) from error
    return pdf_answer(content, f"part-labels-{code}")


@requires(Permission.RECORD_READINGS)
@require_GET
@never_cache
def unit_label(request: HttpRequest, code: UUID) -> HttpResponse:
    """Lead from a scanned label to the page this person may see of the treatment unit."""
    unit = get_object_or_404(TreatmentUnit.objects.select_related("site", "state"), label_code=code)
    if may(request.user.role, Permission.SEE_FLEET):
        return redirect("treatment_unit", serial=unit.serial)
    technician = technician_of(request.user.pk)
    if technician is None or technician.branch_id != unit.site.branch_id:
        raise Http404(gettext("This treatment unit belongs to another branch."))
    _, today = now_and_day_of(technician)
    orders = queries.own_orders_here(technician, unit, today)
    if len(orders) == 1 and not request.GET.get("history"):
        return redirect("close_out", pk=orders[0][0])
    page = queries.unit_on_site(unit, technician, today)
    return render(request, "scheduling/labels_unit.html", {"page": page, "unit": unit})


def _form(request: HttpRequest) -> LabelForm:
    usual = {"stock": "a4_3x8" if is_metric(request) else "letter_3x8", "first": 1}
    return LabelForm(request.GET or None, areas=queries.areas(branch_of(request)), initial=usual)
