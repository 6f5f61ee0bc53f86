"""The page of one site."""

from django.http import Http404
from django.shortcuts import render

from scheduling.queries import site_page as queries
from scheduling.views.edge import branch_of, now_and_today
from shared.access import requires
from shared.roles import Permission


@requires(Permission.SEE_FLEET)
def site_page(request, code: str):
    """Show a site's treatment units, plans, feed tests, hours and visits."""
    now, today = now_and_today(request)
    page = queries.site_page(code, branch_id=branch_of(request), now=now, today=today)
    if page is None:
        raise Http404(f"There is no site {code}.")
    return render(request, "fleet/site.html", {"page": page, "site": page.site, "today": today})
