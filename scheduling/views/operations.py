"""What ran by itself, for planner and owner."""

from django.http import HttpRequest, HttpResponse
from django.views.decorators.http import require_GET

from scheduling.queries.operations import operations
from scheduling.views import list_columns
from scheduling.views.downloads import ListFile, page_or_file
from scheduling.views.edge import now_and_today
from shared.access import requires
from shared.roles import Permission


@requires(Permission.SEE_OPERATIONS)
@require_GET
def operations_page(request: HttpRequest) -> HttpResponse:
    """Show what is wrong, what ran and what failed."""
    now, today = now_and_today(request)
    page = operations(now=now, today=today)
    return page_or_file(
        request,
        "scheduling/operations.html",
        {"page": page, "now": now},
        ran=ListFile("what ran", list_columns.DUTIES, lambda: page.duties),
        failed=ListFile("what failed", list_columns.FAILED, lambda: page.failed),
    )
