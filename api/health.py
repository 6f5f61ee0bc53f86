"""Three addresses for the machines that watch this one. They tell no secrets and name nobody."""

import hmac

from django.conf import settings
from django.db import DatabaseError, connection
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.urls import path
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe
from prometheus_client import CONTENT_TYPE_LATEST, CollectorRegistry, generate_latest

from scheduling.operations.watching import last_task_at, numbers, oldest_work_at, queue_state, standstill
from shared.access import client_address

THIS_MACHINE = {"127.0.0.1", "::1"}
NOBODYS_ADDRESS = "192.0.2.1"
"""For documentation only (RFC 5737): who seems to call from there has made it up, to try the proxy."""
FORWARDED = ("X-Forwarded-For", "Forwarded", "X-Real-IP")


@require_safe
@never_cache
def healthz(request: HttpRequest) -> HttpResponse:
    """Say that this process is alive. Asks nothing of the database."""
    return JsonResponse({"alive": True})


@require_safe
@never_cache
def readyz(request: HttpRequest) -> HttpResponse:
    """Say whether requests should be sent here: 200, or 503 with plain reasons."""
    checks = {"database": "", "migrations": "", "queue": "", "workers": "", "waiting_work": ""}
    checks["proxies"] = _wrong_proxies(request)
    queue = queue_state()
    try:
        checks["migrations"] = _missing_migrations()
        if not checks["migrations"]:
            checks["waiting_work"] = _old_work()
            still = standstill(queue, last_task_at(), timezone.now())
            checks["workers"] = " ".join(still) if still else ""
    except DatabaseError:
        checks["database"] = "The database does not answer. Start it or look at DATABASE_URL."
    if not queue.answers:
        checks["queue"] = "The queue does not answer. Start Redis or look at REDIS_URL."
    is_ready = not any(checks.values())
    told = {name: problem or "in order" for name, problem in checks.items()}
    return JsonResponse({"ready": is_ready, "checks": told}, status=200 if is_ready else 503)


@require_safe
@never_cache
def metrics(request: HttpRequest) -> HttpResponse:
    """Tell the watched numbers in Prometheus' text form, to who may know them."""
    if not _may_read_metrics(request):
        return HttpResponse("Not for this caller.\n", status=403, content_type="text/plain")
    now = timezone.now()
    registry = CollectorRegistry()
    try:
        registry.register(numbers(now=now, today=timezone.localdate(now)))
    except DatabaseError:
        return HttpResponse("The database does not answer.\n", status=503, content_type="text/plain")
    return HttpResponse(generate_latest(registry), content_type=CONTENT_TYPE_LATEST)


def _wrong_proxies(request: HttpRequest) -> str:
    """Say why callers can't be told apart by their address, as far as this call shows it."""
    told = len([one for one in request.headers.get("X-Forwarded-For", "").split(",") if one.strip()])
    if told and not settings.PROXY_COUNT:
        return "A proxy is in front that TAPWARD_PROXIES doesn't count: all callers seem to be one."
    if 0 < told < settings.PROXY_COUNT:
        return "TAPWARD_PROXIES counts more proxies than stand in front: no caller's address is known."
    if client_address(request) == NOBODYS_ADDRESS:
        return "The proxy passes on what callers say of their address. Have it write X-Forwarded-For itself."
    return ""


def _missing_migrations() -> str:
    wanted = set(MigrationLoader(None, ignore_no_migrations=True).disk_migrations)
    missing = len(wanted - set(MigrationRecorder(connection).applied_migrations()))
    return f"{missing} migrations are missing. Run manage.py migrate." if missing else ""


def _old_work() -> str:
    now = timezone.now()
    oldest = oldest_work_at(now)
    waited_minutes = (now - oldest).total_seconds() / 60 if oldest else 0
    if waited_minutes <= settings.OLDEST_WORK_MINUTES:
        return ""
    return (
        f"Work waits for {waited_minutes:.0f} minutes and nobody takes it. Start a worker, or more of them."
    )


def _may_read_metrics(request: HttpRequest) -> bool:
    if settings.METRICS_TOKEN:
        given = request.headers.get("Authorization", "")
        return hmac.compare_digest(given.encode(), f"Bearer {settings.METRICS_TOKEN}".encode())
    # Behind a proxy everybody seems to come from this machine.
    is_forwarded = any(name in request.headers for name in FORWARDED)
    return request.META.get("REMOTE_ADDR") in THIS_MACHINE and not is_forwarded


urlpatterns = [
    path("healthz", healthz, name="healthz"),
    path("readyz", readyz, name="readyz"),
    path("metrics", metrics, name="metrics"),
]
