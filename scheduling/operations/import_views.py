"""Bring a workbook in: upload, look at what would come of it, accept. Looking and writing are long work."""

import tempfile
from itertools import groupby
from pathlib import Path

from django import forms
from django.contrib import messages
from django.http import FileResponse, Http404
from django.shortcuts import redirect, render
from django.utils.translation import gettext, gettext_lazy
from django.views.decorators.http import require_http_methods

from scheduling.models import JobKind, JobState, LongJob
from scheduling.operations import jobs, tasks
from scheduling.operations.views import progress_context
from scheduling.pages.request_context import now_and_today
from scheduling.workbook import importing as service
from shared.access import requires
from shared.errors import DomainError
from shared.heavy_posts import rate_limited
from shared.roles import Permission
from shared.table_files import XLSX_TYPE
from shared.translation import translate

LARGEST_BYTES = 60 * 1024 * 1024
SHOWN_IMPORTS = 10


class UploadForm(forms.Form):
    """One workbook."""

    workbook = forms.FileField(
        label=gettext_lazy("Workbook"),
        help_text=gettext_lazy(
            "The template filled in, or your own list as it is: .xlsx, .xls, .ods or .csv. "
            "The next page asks what its columns mean."
        ),
    )

    def clean_workbook(self):
        """Refuse what can't be a workbook, before it is kept."""
        given = self.cleaned_data["workbook"]
        if Path(given.name).suffix.lower() not in (".xlsx", ".xls", ".ods", ".csv"):
            raise forms.ValidationError(
                gettext("This is no .xlsx, .xls, .ods or .csv file. Save it as .xlsx and try again.")
            )
        if given.size > LARGEST_BYTES:
            raise forms.ValidationError(
                gettext(
                    "This file is larger than 60 MB. Bring readings in by years, or use manage.py "
                    "import_fleet."
                )
            )
        return given


@requires(Permission.IMPORT_FLEET)
@require_http_methods(["GET", "POST"])
@rate_limited
def import_page(request):
    """Take a workbook and go on to what would come of it."""
    form = UploadForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():
        return redirect("import_preview", token=_keep(request, form.cleaned_data["workbook"]))
    context = {"form": form, "imports": _own_imports(request)}
    return render(request, "operations/import.html", context, status=422 if form.errors else 200)


@requires(Permission.IMPORT_FLEET)
@require_http_methods(["GET", "POST"])
@rate_limited
def import_preview(request, token):
    """Show how far an upload is: being looked at, what would come of it, being written, what came of it."""
    job = LongJob.objects.filter(upload=token, made_by=request.user).first()
    if job is None:
        raise Http404(gettext("There is no such upload of yours. Upload the workbook again."))
    if request.method == "POST":
        return _go_on(request, token, job)
    context = {**progress_context(job), "token": token, "file": job.given.get("file", "")}
    if job.state == JobState.DONE:
        context |= _outcome(job.answer)
    context["is_kept"] = jobs.kept_file(token, request.user.pk) is not None
    return render(request, "operations/import_preview.html", context)


@requires(Permission.IMPORT_FLEET)
def import_rest(request, token):
    """Send the refused rows as a workbook, with what is wrong beside them."""
    path = jobs.rest_file(token, request.user.pk)
    if path is None:
        raise Http404(gettext("No refused rows are kept for this upload. Upload the workbook again."))
    return FileResponse(
        path.open("rb"), as_attachment=True, filename="to-mend.xlsx", content_type=XLSX_TYPE
    )  # fmt: skip


@requires(Permission.IMPORT_FLEET)
def template_workbook(request):
    """Send the workbook that people fill in."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "fleet.xlsx"
        service.make_template(path, request.user)
        # The open file outlives its name.
        file = path.open("rb")
    return FileResponse(file, as_attachment=True, filename="fleet.xlsx", content_type=XLSX_TYPE)


def _keep(request, upload):
    now, _ = now_and_today(request)
    token = jobs.keep_upload(upload.name, upload.chunks(), person_id=request.user.pk, now=now)
    _begin(request, JobKind.IMPORT_LOOK, token, {"file": Path(upload.name).name}, now)
    return token


def _own_imports(request) -> list[LongJob]:
    """Return the newest of what was done with each of a person's last uploads."""
    jobs = LongJob.objects.filter(made_by=request.user, upload__isnull=False)[: 5 * SHOWN_IMPORTS]
    newest: dict = {}
    for job in jobs:
        newest.setdefault(job.upload, job)
    return list(newest.values())[:SHOWN_IMPORTS]


def _go_on(request, token, job):
    """Write what was looked at, or look again."""
    now, _ = now_and_today(request)
    is_write = "accept" in request.POST
    given = {name: job.given[name] for name in ("file", "choices") if name in job.given}
    if is_write:
        given["accept"] = "good" if request.POST["accept"] == "good" else "all"
    try:
        _begin(request, JobKind.IMPORT_WRITE if is_write else JobKind.IMPORT_LOOK, token, given, now)
    except DomainError as error:
        messages.error(request, translate(error))
    return redirect(request.path)


def _begin(request, kind, token, given, now) -> None:
    made = jobs.begin(kind, given=given, upload=token, by=request.user, now=now)
    tasks.do_long_job.enqueue(job_id=made.pk)


def _outcome(answer: dict) -> dict:
    problems = groupby(answer["problems"], key=lambda problem: problem["sheet"])
    return {
        "answer": answer,
        "problems": [(sheet, list(rows)) for sheet, rows in problems],
        "left_out": answer["problem_count"] - len(answer["problems"]),
        "doubts_left_out": answer.get("doubt_count", 0) - len(answer.get("doubts", ())),
    }
