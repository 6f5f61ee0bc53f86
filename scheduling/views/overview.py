"""The planner's overview."""

from django.shortcuts import render

from scheduling.queries.overview import overview
from scheduling.views.edge import branch_of, now_and_today
from shared.access import requires
from shared.roles import Permission


@requires(Permission.SEE_WORK)
def planner_overview(request):
    """Show how the fleet stands and what to do about it, in order of risk."""
    now, today = now_and_today(request)
    found = overview(now=now, today=today, branch_id=branch_of(request))
    return render(request, "scheduling/overview.html", {"page": found, "today": today})
