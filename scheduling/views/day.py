"""The technician's day, and what lets the phone open it without signal."""

import hashlib
from datetime import date
from functools import cache
from pathlib import Path
from typing import Final

from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.templatetags.static import static
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET

from scheduling.queries import day as queries
from scheduling.views.edge import now_and_day_of
from shared.access import requires
from shared.roles import Permission

SHELL: Final = [
    "tapward/base.css", "tapward/parts.css", "tapward/print.css", "tapward/drop.svg", "tapward/pages.js",
    "tapward/phone/phone.css", "tapward/phone/day.js", "tapward/phone/close_out.js", "tapward/phone/store.js",
    "tapward/phone/queue.js", "tapward/phone/offline.js", "tapward/phone/timer.js",
    "tapward/phone/pen.js", "tapward/phone/photos.js", "tapward/phone/photo_queue.js",
    "tapward/phone/place.js", "tapward/phone/scan.js", "tapward/phone/words.js",
    "django_htmx/htmx-2.min.js",
]  # fmt: skip
"""What the phone keeps so that its pages open without signal."""


@requires(Permission.SEE_OWN_DAY)
@require_GET
@never_cache
def day(request: HttpRequest, on: str = "") -> HttpResponse:
    """Show the stops of the technician who is logged in, and of nobody else."""
    technician = queries.technician_of(request.user.pk)
    if technician is None:
        return render(request, "scheduling/no_day.html")
    _, today = now_and_day_of(technician)
    page = queries.day_page(technician, _day_asked(on) or today, today)
    missing = any(part.missing for part in page.load)
    return render(request, "scheduling/day.html", {"page": page, "missing": missing})


@require_GET
@never_cache
def service_worker(request: HttpRequest) -> HttpResponse:
    """Return the phone's worker. It holds no data, so anyone may have it; its scope is this folder."""
    files = [static(name) for name in SHELL]
    context = {
        "files": files,
        "version": _shell_version(),
        "logic": static("tapward/phone/worker.js"),
        "start": reverse("day"),
    }
    return render(request, "scheduling/phone/sw.js", context, content_type="text/javascript")


@require_GET
def manifest(request: HttpRequest) -> JsonResponse:
    """Return what a phone needs to put the day on its home screen."""
    return JsonResponse(
        {
            "name": gettext("%(company)s: my day") % {"company": settings.COMPANY_NAME},
            "short_name": gettext("My day"),
            "id": reverse("day"),
            "start_url": reverse("day"),
            "scope": "/phone/",
            "display": "standalone",
            "background_color": "#f4f5f1",
            "theme_color": "#0b5a63",
            "icons": [{"src": static("tapward/drop.svg"), "sizes": "any", "type": "image/svg+xml"}],
        },
        content_type="application/manifest+json",
    )


def _day_asked(text: str) -> date | None:
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise Http404(gettext("A day is written as 2026-11-30.")) from error


@cache
def _shell_version() -> str:
    """Return a mark that changes when one of the phone's own files does."""
    content = hashlib.sha256()
    for folder in settings.STATICFILES_DIRS:
        for file in sorted(Path(folder, "tapward").rglob("*.*s*")):
            content.update(file.read_bytes())
    return content.hexdigest()[:16]
