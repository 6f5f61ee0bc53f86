"""Bring a workbook in: upload, look at what would come of it, accept."""

import tempfile
import uuid
from itertools import groupby
from pathlib import Path

from django import forms
from django.conf import settings
from django.contrib import messages
from django.http import FileResponse, Http404
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods

from fleet.services.assessment import assess_fleet
from scheduling.services import import_fleet as service
from scheduling.views.downloads import XLSX_TYPE
from scheduling.views.edge import now_and_today
from shared.access import requires
from shared.errors import CannotDo
from shared.roles import Permission

LARGEST_BYTES = 60 * 1024 * 1024
SHOWN_PROBLEMS = 300
"""More problems than this don't help on a page; the workbook of the rest has them all."""


class UploadForm(forms.Form):
    """One workbook."""

    workbook = forms.FileField(
        label="Workbook", help_text="An .xlsx made from the template, or a .csv named after its sheet."
    )

    def clean_workbook(self):
        """Refuse what can't be a workbook, before it is kept."""
        given = self.cleaned_data["workbook"]
        if Path(given.name).suffix.lower() not in (".xlsx", ".csv"):
            raise forms.ValidationError("This is no .xlsx or .csv file. Save it as .xlsx and try again.")
        if given.size > LARGEST_BYTES:
            raise forms.ValidationError(
                "This file is larger than 60 MB. Bring readings in by years, or use manage.py import_fleet."
            )
        return given


@requires(Permission.IMPORT_FLEET)
@require_http_methods(["GET", "POST"])
def import_page(request):
    """Take a workbook and go on to what would come of it."""
    form = UploadForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():
        return redirect("import_preview", token=_keep(form.cleaned_data["workbook"], request.user.pk))
    return render(request, "scheduling/import.html", {"form": form}, status=422 if form.errors else 200)


@requires(Permission.IMPORT_FLEET)
@require_http_methods(["GET", "POST"])
def import_preview(request, token):
    """Show what would come of a kept workbook; on POST do it."""
    path = _kept(token, request.user.pk)
    now, _ = now_and_today(request)
    try:
        if request.method == "POST":
            return _accept(request, path, now)
        report = service.preview(path, now=now, by=request.user)
    except CannotDo as error:
        messages.error(request, str(error))
        return redirect("import_fleet")
    shown = report.problems[:SHOWN_PROBLEMS]
    context = {
        "token": token,
        "counts": report.counts,
        "problems": [
            (sheet, list(rows)) for sheet, rows in groupby(shown, key=lambda problem: problem.sheet)
        ],
        "problem_count": len(report.problems),
        "left_out": len(report.problems) - len(shown),
        "good_rows": sum(count.added + count.changed for count in report.counts.values()),
    }
    return render(request, "scheduling/import_preview.html", context)


@requires(Permission.IMPORT_FLEET)
def import_rest(request, token):
    """Send the refused rows as a workbook, with what is wrong beside them."""
    now, _ = now_and_today(request)
    report = service.preview(_kept(token, request.user.pk), now=now, by=request.user)
    return _workbook_file("to-mend.xlsx", report.write_rest)


@requires(Permission.IMPORT_FLEET)
def template_workbook(request):
    """Send the workbook that people fill in."""
    return _workbook_file("fleet.xlsx", service.make_template)


def _accept(request, path: Path, now):
    wants_good_rows = request.POST.get("accept") == "good"
    report = service.import_workbook(path, accept_good_rows=wants_good_rows, now=now, by=request.user)
    if not report.is_written:
        messages.error(request, "Nothing was written: some rows are wrong. See them below.")
        return redirect(request.path)
    assess_fleet(now, settings.SHARD_SIZE)
    refused = f" {len(report.problems):,} problems were left out." if report.problems else ""
    messages.success(request, f"{report.rows_written:,} rows were written and the fleet assessed.{refused}")
    path.unlink(missing_ok=True)
    return redirect("fleet_list")


def _keep(upload, person_id: int) -> uuid.UUID:
    """Put an upload where only its person's next request finds it."""
    folder = settings.DATA_DIR / "uploads"
    folder.mkdir(parents=True, exist_ok=True)
    token = uuid.uuid4()
    # A CSV's name is its sheet's name, so each upload has a folder of its own.
    own = folder / f"{person_id}-{token}"
    own.mkdir()
    name = Path(upload.name).name
    with (own / name).open("wb") as file:
        for chunk in upload.chunks():
            file.write(chunk)
    return token


def _kept(token: uuid.UUID, person_id: int) -> Path:
    own = settings.DATA_DIR / "uploads" / f"{person_id}-{token}"
    found = sorted(own.glob("*")) if own.is_dir() else []
    if not found:
        raise Http404("This upload is no longer kept. Upload the workbook again.")
    return found[0]


def _workbook_file(name: str, write) -> FileResponse:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        write(path)
        # The open file outlives its name.
        file = path.open("rb")
    return FileResponse(file, as_attachment=True, filename=name, content_type=XLSX_TYPE)
