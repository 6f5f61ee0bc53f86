"""The page of search: an ordinary address that can be sent on."""

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponseBase
from django.utils.translation import gettext_lazy as _
from django.views.decorators.http import require_GET

from fleet.table_columns import Mark
from scheduling.overview.search import FEWEST, MOST, search
from scheduling.pages.request_context import now_and_today
from shared.tables import Column, Table, render_or_export

HITS = Table(
    _("Found"),
    Mark(_("What it is"), "kind", tone=lambda row: "info", label=""),
    Column(_("Name"), "what", head=True, link=lambda row, page: row.address),
    Column(_("Where"), "where"),
    file="found",
)


@login_required
@require_GET
def search_page(request: HttpRequest) -> HttpResponseBase:
    """Show what is called so, as far as the person may see it."""
    asked = " ".join(request.GET.get("q", "").split())[:MOST]
    _now, today = now_and_today(request)
    found = search(asked, by=request.user, today=today) if asked else None
    context = {"search_words": asked, "found": found, "fewest": FEWEST}
    return render_or_export(
        request, "overview/search.html", context, hits=HITS.of(found.hits if found else [])
    )
