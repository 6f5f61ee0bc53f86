"""Pages of long work: how far it is, and stopping it.

What ran by itself, for planner and owner.
People's data: what is kept about one person, taken out as a file or erased. For the owner.
A planner's nudge: have the fleet assessed and work raised now.
"""

from django import forms
from django.contrib import messages
from django.http import FileResponse, Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_POST

from scheduling.models import JobKind, LongJob
from scheduling.operations import jobs, tasks
from scheduling.operations import personal_data as services
from scheduling.operations import personal_data_rows as queries
from scheduling.operations import tables as tables
from scheduling.operations.personal_data_rows import Kind, Subject, take_out
from scheduling.operations.status import operations
from scheduling.pages.request_context import now_and_today
from shared.access import requires
from shared.errors import DomainError
from shared.heavy_posts import rate_limited
from shared.roles import Permission
from shared.tables import render_or_export


@requires(Permission.RUN_ASSESSMENT)
@require_GET
def long_job(request: HttpRequest, pk: int) -> HttpResponse:
    """Show long work while it lasts and what came of it; an import has a page of its own."""
    found = _own(request, pk)
    if found.kind != JobKind.UPKEEP:
        return redirect(page_of(found))
    return render(request, "operations/long_job.html", progress_context(found))


@requires(Permission.RUN_ASSESSMENT)
@require_GET
def long_job_progress(request: HttpRequest, pk: int) -> HttpResponse:
    """Return how far it is; when it is over, have the page loaded anew."""
    found = _own(request, pk)
    if found.is_over:
        return HttpResponse(status=200, headers={"HX-Redirect": page_of(found)})
    return render(request, "parts/long_job_progress.html", progress_context(found))


@requires(Permission.RUN_ASSESSMENT)
@require_POST
def stop_long_job(request: HttpRequest, pk: int) -> HttpResponse:
    """Ask it to stop."""
    now, _ = now_and_today(request)
    found = _own(request, pk)
    jobs.cancel(found, now=now)
    messages.info(request, "Asked to stop.")
    return redirect(page_of(found))


def progress_context(found: LongJob) -> dict:
    """Return what the part that shows progress needs."""
    return {
        "job": found,
        "progress": None if found.is_over else jobs.progress_of(found),
        "wants_stop": not found.is_over and jobs.wants_stop(found.pk),
        "page_url": page_of(found),
    }


def page_of(found: LongJob) -> str:
    """Return the address of the page a job is watched on."""
    if found.upload:
        return reverse("import_preview", args=[found.upload])
    return reverse("long_job", args=[found.pk])


def _own(request: HttpRequest, pk: int) -> LongJob:
    return get_object_or_404(LongJob, pk=pk, made_by=request.user)


@requires(Permission.SEE_OPERATIONS)
@require_GET
def operations_page(request: HttpRequest) -> HttpResponse:
    """Show what is wrong, what ran and what failed."""
    now, today = now_and_today(request)
    page = operations(now=now, today=today)
    return render_or_export(
        request,
        "operations/operations.html",
        {"page": page, "now": now},
        ran=tables.DUTIES.of(page.duties),
        failed=tables.FAILED.of(page.failed),
    )


class EraseForm(forms.Form):
    """The code typed once more, so that nobody is erased by a slip."""

    code = forms.CharField(max_length=160, widget=forms.TextInput(attrs={"autocomplete": "off"}))

    def __init__(self, *args, subject: Subject, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.subject = subject
        self.fields["code"].label = f"Type {subject.code} to erase this person"

    def clean_code(self) -> str:
        """Ask for the very code."""
        if self.cleaned_data["code"].strip() != self.subject.code:
            raise forms.ValidationError(f"That is not {self.subject.code}. Nothing was erased.")
        return self.subject.code


@requires(Permission.HANDLE_PERSONAL_DATA)
@require_GET
def personal_data(request: HttpRequest) -> HttpResponse:
    """Look a person up among log-ins, technicians and customers."""
    words = request.GET.get("words", "").strip()[:80]
    found = queries.search(words) if words else []
    context = {"words": words, "found": found, "most": queries.MOST_FOUND}
    return render(request, "operations/personal_data.html", context)


@requires(Permission.HANDLE_PERSONAL_DATA)
@require_GET
@never_cache
def one_persons_data(request: HttpRequest, kind: str, code: str) -> HttpResponse:
    """Show what is kept about a person, what erasing does and what stays."""
    subject = _subject(kind, code)
    return _page(request, subject, EraseForm(subject=subject))


@requires(Permission.HANDLE_PERSONAL_DATA)
@require_POST
@rate_limited
def personal_data_file(request: HttpRequest, kind: str, code: str) -> HttpResponseBase:
    """Hand everything kept about a person out as one file."""
    subject = _subject(kind, code)
    file = take_out(subject, by=request.user, now=timezone.now())
    name = f"personal-data-{subject.kind}-{subject.row.pk}.zip"
    return FileResponse(file, as_attachment=True, filename=name, content_type="application/zip")


@requires(Permission.HANDLE_PERSONAL_DATA)
@require_POST
def erase_personal_data(request: HttpRequest, kind: str, code: str) -> HttpResponse:
    """Erase a person, once the code was typed."""
    subject = _subject(kind, code)
    form = EraseForm(request.POST, subject=subject)
    if form.is_valid():
        try:
            erasure = services.erase(subject, by=request.user, now=timezone.now())
        except DomainError as error:
            form.add_error(None, str(error))
        else:
            messages.success(request, f"Erased; “{erasure.mark}” stands in the name’s place: {erasure.told}.")
            return redirect("personal_data")
    return _page(request, subject, form)


def _subject(kind: str, code: str) -> Subject:
    if kind not in list(Kind):
        raise Http404("Log-in, technician or customer.")
    try:
        return queries.find(kind, code)
    except DomainError as error:
        raise Http404(str(error)) from error


def _page(request: HttpRequest, subject: Subject, form: EraseForm) -> HttpResponse:
    is_open = subject.customer is not None and queries.is_served(subject.customer)
    context = {
        "subject": subject,
        "counted": queries.counted(subject),
        "stays": (*services.STAYS[subject.kind], *services.STAYS_ANYHOW),
        "is_open": is_open,
        "form": form,
    }
    return render(request, "operations/personal_data_one.html", context, status=422 if form.errors else 200)


@requires(Permission.RUN_ASSESSMENT)
@require_POST
@rate_limited
def bring_up_to_date_now(request):
    """Begin it and go where one sees how far it is."""
    now, _ = now_and_today(request)
    made = jobs.begin(JobKind.UPKEEP, by=request.user, now=now)
    tasks.do_long_job.enqueue(job_id=made.pk)
    return redirect("long_job", pk=made.pk)
