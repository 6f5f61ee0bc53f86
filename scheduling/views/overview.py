"""The planner's overview."""

from scheduling.queries.overview import overview
from scheduling.views import list_columns
from scheduling.views.downloads import ListFile, page_or_file
from scheduling.views.edge import branch_of, now_and_today
from shared.access import requires
from shared.roles import Permission


@requires(Permission.SEE_WORK)
def planner_overview(request):
    """Show how the fleet stands and what to do about it, in order of risk."""
    now, today = now_and_today(request)
    found = overview(now=now, today=today, branch_id=branch_of(request))
    return page_or_file(
        request,
        "scheduling/overview.html",
        {"page": found, "today": today},
        load=ListFile("load ahead", list_columns.DAY_LOADS, lambda: found.days),
        changes=ListFile("findings since yesterday", list_columns.FINDING_CHANGES, lambda: found.changes),
    )
