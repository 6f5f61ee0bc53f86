"""One technician's route, on the screen and on paper."""

from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.http import require_GET

from scheduling.queries import maps
from scheduling.queries import route_sheet as queries
from scheduling.views import list_columns
from scheduling.views.downloads import ListFile, page_or_file
from scheduling.views.edge import branch_of, is_metric
from shared.access import requires
from shared.roles import Permission


@requires(Permission.SEE_WORK)
@require_GET
def route(request: HttpRequest, pk: int) -> HttpResponse:
    """Show a route: what to load, where to go, what to do there."""
    sheet = _sheet(request, pk)
    metric = is_metric(request)
    return page_or_file(
        request,
        "scheduling/route.html",
        {
            "sheet": sheet,
            "route": sheet.route,
            "is_metric": metric,
            "map": maps.route_map([sheet.route], is_metric=metric, tiles_at=settings.MAP_TILE_URL),
            "tile_credit": settings.MAP_TILE_CREDIT,
            "geojson_url": reverse("route_geojson", args=[pk]),
        },
        load=ListFile("load of the van", list_columns.VAN_LOAD, lambda: sheet.load),
    )


@requires(Permission.SEE_WORK)
@require_GET
def route_geojson(request: HttpRequest, pk: int) -> JsonResponse:
    """Return a route for other maps."""
    found = maps.geojson([_sheet(request, pk).route])
    return JsonResponse(found, content_type="application/geo+json")


def _sheet(request: HttpRequest, pk: int) -> queries.RouteSheet:
    sheet = queries.route_sheet(pk, branch_of(request))
    if sheet is None:
        raise Http404(gettext("There is no such route in your branch."))
    return sheet
