"""Sends each person to the page their day begins with."""

from django.contrib.auth.decorators import login_required
from django.shortcuts import redirect

from shared.roles import Role

FIRST_PAGES = {
    Role.PLANNER: "planner_overview",
    Role.TECHNICIAN: "day",
    Role.OWNER: "revenue_review",
    Role.INTEGRATOR: "fleet_list",
}


@login_required
def home(request):
    """Go to the first page of the person's role."""
    return redirect(FIRST_PAGES[Role(request.user.role)])
