"""Taking in what the books say was paid, and taking such a file back."""

import tempfile
from pathlib import Path
from typing import Final

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext
from django.views.decorators.http import require_POST

from scheduling.models import PaidFile
from scheduling.services import paid
from scheduling.views.edge import now_and_today
from shared.access import requires
from shared.errors import CannotDo
from shared.heavy_posts import is_heavy
from shared.roles import Permission
from shared.told import told

LARGEST_BYTES: Final = 10_000_000
PROBLEMS_SHOWN: Final = 200


@requires(Permission.CORRECT_MONEY)
@require_POST
@is_heavy
def read_paid_file(request: HttpRequest) -> HttpResponse:
    """Mark the lines of an uploaded file as paid, or show every row that is wrong."""
    now, _ = now_and_today(request)
    upload = request.FILES.get("file")
    if upload is None or not upload.name.lower().endswith((".csv", ".xlsx")) or upload.size > LARGEST_BYTES:
        messages.error(request, gettext("Choose a .csv or .xlsx file of at most 10 MB."))
        return redirect("invoices")
    try:
        report = _read(upload, request, now)
    except CannotDo as error:
        messages.error(request, told(str(error)))
        return redirect("invoices")
    if report.problems:
        return render(
            request,
            "scheduling/owner_paid_problems.html",
            {
                "report": report,
                "shown": report.problems[:PROBLEMS_SHOWN],
                "left_out": max(0, len(report.problems) - PROBLEMS_SHOWN),
                "file_name": upload.name,
            },
            status=422,
        )
    messages.success(
        request,
        gettext("%(paid)s lines marked paid; %(unchanged)s stood so already.")
        % {"paid": f"{report.paid:,}", "unchanged": f"{report.unchanged:,}"},
    )
    return redirect("invoices")


def _read(upload, request: HttpRequest, now) -> paid.PaidReport:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / Path(upload.name).name
        with path.open("wb") as file:
            for chunk in upload.chunks():
                file.write(chunk)
        return paid.read_paid(path, by=request.user, now=now)


@requires(Permission.CORRECT_MONEY)
@require_POST
def take_back_paid_file(request: HttpRequest, pk: int) -> HttpResponse:
    """Make a file's lines unpaid again."""
    now, _ = now_and_today(request)
    file = paid.take_back(get_object_or_404(PaidFile, pk=pk), by=request.user, now=now)
    messages.success(
        request, gettext("%(name)s is taken back; its lines are unpaid again.") % {"name": file.name}
    )
    return redirect("invoices")
