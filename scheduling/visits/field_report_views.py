"""Back from the field: the phone reports, the planner answers, the technician hears."""

from datetime import datetime, timedelta
from typing import Any, Final

from django import forms
from django.contrib import messages
from django.http import FileResponse, Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.dateparse import parse_datetime
from django.utils.translation import gettext, gettext_lazy
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fleet.models import TreatmentUnit
from scheduling.crew.day_load import technician_of
from scheduling.models import FieldReport
from scheduling.pages.forms import DayInput
from scheduling.pages.request_context import branch_of, now_and_day_of, now_and_today
from scheduling.visits import field_reports as service
from scheduling.visits.photo_views import image_answer, upload_content
from scheduling.visits.photos import clean_photo
from shared.access import requires
from shared.errors import DomainError
from shared.roles import Permission
from shared.translation import translate

WINDOW: Final = timedelta(days=7)
"""What is offered for work raised from a report."""


class FoundForm(forms.Form):
    """What the phone sends of something found."""

    client_id = forms.UUIDField()
    kind = forms.CharField(max_length=20)
    text = forms.CharField(required=False, max_length=service.LONGEST_TEXT)
    serial = forms.CharField(required=False, max_length=60)
    found_at = forms.CharField(required=False, max_length=40)


class AnswerForm(forms.Form):
    """What the office says, and the work it raises where it does."""

    answer = forms.CharField(
        label=gettext_lazy("Answer"),
        required=False,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text=gettext_lazy("The technician reads it on the day's page."),
    )
    treatment_unit = forms.ModelChoiceField(
        label=gettext_lazy("Treatment unit"), queryset=TreatmentUnit.objects.none(), empty_label=None
    )
    window_from = forms.DateField(label=gettext_lazy("Not before"), widget=DayInput())
    window_to = forms.DateField(label=gettext_lazy("Not after"), widget=DayInput())
    minutes = forms.IntegerField(
        label=gettext_lazy("Minutes on site"), min_value=5, max_value=720, initial=45
    )

    def __init__(self, report: FieldReport, *args: Any, is_raising: bool = False, **kwargs: Any):
        super().__init__(*args, **kwargs)
        self.is_raising = is_raising
        units = TreatmentUnit.objects.filter(site=report.site, retired_on__isnull=True).order_by("serial")
        self.fields["treatment_unit"].queryset = units
        if not is_raising:
            for name in ("treatment_unit", "window_from", "window_to", "minutes"):
                self.fields[name].required = False


@requires(Permission.CLOSE_OWN_STOPS)
@require_POST
def report_found(request: HttpRequest, pk: int) -> HttpResponse:
    """Take what a technician found at an own stop: a form with an optional photo.

    The phone's queue asks for JSON and hears 200 kept (also when it was known), 404 for a stop that is not
    the technician's, 422 with the remedy for what can't be taken; a plain form is led back to the visit.
    """
    technician = technician_of(request.user.pk)
    stop = service.own_stop(technician, pk) if technician else None
    if technician is None or stop is None:
        return _said(request, 404, gettext("This stop stands on no route of yours."), pk=pk)
    now, _ = now_and_day_of(technician)
    try:
        service.take(_found(request), stop=stop, technician=technician, now=now)
    except DomainError as error:
        return _said(request, 422, translate(error.message), remedy=translate(error.remedy), pk=pk)
    return _said(request, 200, gettext("The office has it. The answer comes on your day's page."), pk=pk)


@requires(Permission.SEE_OWN_DAY)
@require_GET
@never_cache
def office_answers(request: HttpRequest) -> HttpResponse:
    """Return what the office has said to a technician, as the part of the page that shows it."""
    technician = technician_of(request.user.pk)
    if technician is None:
        raise Http404(gettext("Your log-in belongs to no technician."))
    now, _ = now_and_day_of(technician)
    reports = service.for_technician(technician, now)
    return render(request, "visits/office_answers.html", {"reports": reports})


@requires(Permission.SEE_WORK)
@require_GET
@never_cache
def field_report_photo(request: HttpRequest, pk: int) -> FileResponse:
    """Return the photo of a report of the person's branch."""
    row = get_object_or_404(service.of_branch(branch_of(request)).exclude(image=""), pk=pk)
    return image_answer(row.image, f"found-{row.pk}.jpg")


@requires(Permission.MANAGE_WORK)
@require_http_methods(["GET", "POST"])
def field_report(request: HttpRequest, pk: int) -> HttpResponse:
    """Show a report; answer it in words, or raise work from it."""
    rows = service.of_branch(branch_of(request))
    report = get_object_or_404(rows.select_related("site__customer", "treatment_unit", "close_out"), pk=pk)
    now, today = now_and_today(request)
    is_raising = "raise" in request.POST
    given = {"treatment_unit": report.treatment_unit_id, "window_from": today, "window_to": today + WINDOW}
    form = AnswerForm(report, request.POST or None, initial=given, is_raising=is_raising)
    if request.method == "POST" and form.is_valid():
        data = dict(form.cleaned_data)
        text = data.pop("answer")
        try:
            if is_raising:
                service.raise_order(report, text=text, by=request.user, now=now, **data)
            else:
                service.answer(report, text=text, by=request.user, now=now)
        except DomainError as error:
            form.add_error(error.field if error.field in form.fields else None, translate(error))
        else:
            messages.success(request, gettext("Answered. The technician sees it on the day's page."))
            return redirect("field_report", pk=pk)
    context = {"report": report, "form": form, "photo_pks": service.photos_of(report)}
    return render(request, "visits/field_report.html", context, status=422 if form.errors else 200)


def _found(request: HttpRequest) -> service.Found:
    form = FoundForm(request.POST)
    if not form.is_valid():
        raise DomainError(
            gettext("This was not readable."), remedy=gettext("Load the page again and report it once more.")
        )
    given = form.cleaned_data
    upload = request.FILES.get("photo")
    return service.Found(
        client_id=given["client_id"], kind=given["kind"], text=given["text"],
        treatment_unit=TreatmentUnit.objects.filter(serial=given["serial"]).first(),
        found_at=_moment(given["found_at"]), jpeg=clean_photo(upload_content(upload)) if upload else b"",
    )  # fmt: skip


def _moment(text: str) -> datetime | None:
    try:
        said = parse_datetime(text)
    except ValueError:
        return None
    return said if said is not None and said.tzinfo is not None else None


def _said(request: HttpRequest, status: int, told: str, *, pk: int, remedy: str = "") -> HttpResponse:
    if request.headers.get("Accept") == "application/json":
        return JsonResponse({"message": told, "remedy": remedy}, status=status)
    (messages.success if status == 200 else messages.error)(request, f"{told} {remedy}".strip())
    return redirect("visit", pk=pk) if status != 404 else redirect("day")
