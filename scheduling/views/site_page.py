"""The page of one site."""

from django.http import Http404
from django.utils.translation import gettext

from scheduling.queries import site_page as queries
from scheduling.views import list_columns
from scheduling.views.downloads import ListFile, page_or_file
from scheduling.views.edge import branch_of, now_and_today
from shared.access import requires
from shared.roles import Permission, may


@requires(Permission.SEE_FLEET)
def site_page(request, code: str):
    """Show a site's treatment units, plans, feed tests, hours and visits."""
    now, today = now_and_today(request)
    page = queries.site_page(code, branch_id=branch_of(request), now=now, today=today)
    if page is None:
        raise Http404(gettext("There is no site %(code)s.") % {"code": code})
    plans = {}
    if may(request.user.role, Permission.SEE_REVENUE):
        plans["plans"] = ListFile("service plans", list_columns.SITE_PLANS, lambda: page.plans)
    return page_or_file(
        request,
        "fleet/site.html",
        {"page": page, "site": page.site, "today": today},
        units=ListFile("treatment units", list_columns.SITE_UNITS, lambda: page.units),
        tests=ListFile("feed tests", list_columns.FEED_TESTS, lambda: page.tests),
        **plans,
    )
