"""Documents as PDF: the service report of a close-out, the work sheet of a route.

Labels with a QR code for treatment units, and where scanning one leads.
"""

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
from scheduling.crew.day_load import technician_of
from scheduling.documents.label_sheet import STOCKS, label_sheet_pdf
from scheduling.documents.paper import font_folder
from scheduling.documents.service_report import service_report_pdf
from scheduling.documents.work_sheet import work_sheet_pdf
from scheduling.models import CloseOut, Route, StockPlace
from scheduling.pages.request_context import branch_of, is_metric, now_and_day_of
from scheduling.routes.selectors import route_rows
from scheduling.visits import documents as queries
from scheduling.visits import labels as visits_labels
from scheduling.visits.documents import unit_labels
from shared.access import requires
from shared.errors import DomainError
from shared.roles import Permission, may
from shared.translation import translate


def pdf_answer(content: bytes, name: str) -> HttpResponse:
    """Return a PDF that opens in the browser under a name of its own."""
    answer = HttpResponse(content, content_type="application/pdf")
    answer["Content-Disposition"] = f'inline; filename="{name}.pdf"'
    return answer


@requires(Permission.CLOSE_OWN_STOPS)
@require_GET
@never_cache
def my_service_report(request: HttpRequest, pk: int) -> HttpResponse:
    """Return the report of a close-out to the technician who did it."""
    return _report(request, pk, person_id=request.user.pk)


@requires(Permission.CLOSE_OWN_STOPS)
@require_GET
@never_cache
def my_order_report(request: HttpRequest, pk: int) -> HttpResponse:
    """Return the report of an order to the technician whose close-out of it stands."""
    found = CloseOut.objects.filter(
        order_id=pk, technician__person_id=request.user.pk, undone_at__isnull=True
    ).first()
    if found is None:
        raise Http404(gettext("You have closed no such order."))
    return _report(request, found.pk, person_id=request.user.pk)


@requires(Permission.SEE_WORK)
@require_GET
@never_cache
def service_report(request: HttpRequest, pk: int) -> HttpResponse:
    """Return the report of any close-out in the person's branch."""
    return _report(request, pk, person_id=None)


@requires(Permission.SEE_WORK)
@require_GET
@never_cache
def work_sheet(request: HttpRequest, pk: int) -> HttpResponse:
    """Return a route as a sheet for those without a phone."""
    routes = Route.objects.filter(pk=pk)
    if branch_id := branch_of(request):
        routes = routes.filter(technician__branch_id=branch_id)
    return _sheet(request, route_rows(routes))


@requires(Permission.SEE_OWN_DAY)
@require_GET
@never_cache
def my_work_sheet(request: HttpRequest, pk: int) -> HttpResponse:
    """Return the own route as a sheet; only what is published."""
    routes = Route.objects.filter(pk=pk, technician__person_id=request.user.pk, is_in_force=True)
    return _sheet(request, route_rows(routes))


def _report(request: HttpRequest, pk: int, *, person_id: int | None) -> HttpResponse:
    close_out = queries.close_out_for_report(pk, branch_id=branch_of(request), person_id=person_id)
    if close_out is None:
        raise Http404(gettext("There is no such close-out for you."))
    report = queries.service_report(
        close_out, company=settings.COMPANY_NAME, system=request.user.measure_system
    )
    content = service_report_pdf(
        report, is_metric=is_metric(request), made_at=queries.made_moment(close_out), fonts=font_folder()
    )
    return pdf_answer(content, f"service-report-{report.number}-{pk}")


def _sheet(request: HttpRequest, routes: list[Route]) -> HttpResponse:
    if not routes:
        raise Http404(gettext("There is no such route for you."))
    sheet = queries.work_sheet(routes[0], company=settings.COMPANY_NAME, system=request.user.measure_system)
    content = work_sheet_pdf(sheet, is_metric=is_metric(request), made_at=timezone.now(), fonts=font_folder())
    return pdf_answer(content, f"work-sheet-{routes[0].day}-{routes[0].pk}")


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
        label=gettext_lazy("Sheet"),
        choices=lambda: [(code, translate(one.name)) for code, one in STOCKS.items()],
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
    units = visits_labels.units_to_label(
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
    return render(request, "visits/labels.html", context)


@requires(Permission.MANAGE_WORK)
@require_GET
def label_file(request: HttpRequest) -> HttpResponse:
    """Return one batch of labels as a PDF."""
    form = _form(request)
    if not form.is_valid():
        raise Http404(gettext("These labels can't be made. Choose them on the page of labels."))
    data = form.cleaned_data
    batch = data["batch"] or 1
    units = visits_labels.units_to_label(
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
    except DomainError as error:
        raise Http404(translate(error)) from error
    return pdf_answer(content, f"labels-{batch}")


@requires(Permission.MANAGE_WORK)
@require_GET
def part_label_file(request: HttpRequest, code: str) -> HttpResponse:
    """Return labels for the parts at one place as a PDF, one for each piece."""
    places = StockPlace.objects.all()
    if branch_id := branch_of(request):
        places = places.filter(branch_id=branch_id)
    made = visits_labels.part_labels(get_object_or_404(places, code=code), company=settings.COMPANY_NAME)
    stock = "a4_3x8" if is_metric(request) else "letter_3x8"
    try:
        content = label_sheet_pdf(
            made[:MOST_LABELS], stock=stock, made_at=timezone.now(), fonts=font_folder()
        )
    except DomainError as error:
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
    orders = visits_labels.own_orders_here(technician, unit, today)
    stops = {stop_id for stop_id, _, _ in orders}
    if len(stops) == 1 and not request.GET.get("history"):
        return redirect("visit", pk=stops.pop())
    page = visits_labels.unit_on_site(unit, technician, today)
    return render(request, "visits/labels_unit.html", {"page": page, "unit": unit})


def _form(request: HttpRequest) -> LabelForm:
    usual = {"stock": "a4_3x8" if is_metric(request) else "letter_3x8", "first": 1}
    return LabelForm(request.GET or None, areas=visits_labels.areas(branch_of(request)), initial=usual)
