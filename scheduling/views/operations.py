"""What ran by itself, for planner and owner."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from scheduling.queries.operations import operations
from scheduling.views.edge import now_and_today
from shared.access import requires
from shared.roles import Permission


@requires(Permission.SEE_OPERATIONS)
@require_GET
def operations_page(request: HttpRequest) -> HttpResponse:
    """Show what is wrong, what ran and what failed."""
    now, today = now_and_today(request)
    return render(
        request, "scheduling/operations.html", {"page": operations(now=now, today=today), "now": now}
    )
