"""Pages of long work: how far it is, and stopping it."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.views.decorators.http import require_GET, require_POST

from scheduling.models import JobKind, LongJob
from scheduling.services import long_jobs as service
from scheduling.views.edge import now_and_today
from shared.access import requires
from shared.roles import Permission


@requires(Permission.RUN_ASSESSMENT)
@require_GET
def long_job(request: HttpRequest, pk: int) -> HttpResponse:
    """Show long work while it lasts and what came of it; an import has a page of its own."""
    found = _own(request, pk)
    if found.kind != JobKind.UPKEEP:
        return redirect(page_of(found))
    return render(request, "scheduling/long_job.html", progress_context(found))


@requires(Permission.RUN_ASSESSMENT)
@require_GET
def long_job_progress(request: HttpRequest, pk: int) -> HttpResponse:
    """Return how far it is; when it is over, have the page loaded anew."""
    found = _own(request, pk)
    if found.is_over:
        return HttpResponse(status=200, headers={"HX-Redirect": page_of(found)})
    return render(request, "scheduling/parts/long_job_progress.html", progress_context(found))


@requires(Permission.RUN_ASSESSMENT)
@require_POST
def stop_long_job(request: HttpRequest, pk: int) -> HttpResponse:
    """Ask it to stop."""
    now, _ = now_and_today(request)
    found = _own(request, pk)
    service.cancel(found, now=now)
    messages.info(request, "Asked to stop.")
    return redirect(page_of(found))


def progress_context(found: LongJob) -> dict:
    """Return what the part that shows progress needs."""
    return {
        "job": found,
        "progress": None if found.is_over else service.progress_of(found),
        "wants_stop": not found.is_over and service.wants_stop(found.pk),
        "page_url": page_of(found),
    }


def page_of(found: LongJob) -> str:
    """Return the address of the page a job is watched on."""
    if found.upload:
        return reverse("import_preview", args=[found.upload])
    return reverse("long_job", args=[found.pk])


def _own(request: HttpRequest, pk: int) -> LongJob:
    return get_object_or_404(LongJob, pk=pk, made_by=request.user)
