"""The map of sites, its table and its files."""

import math

from django.conf import settings
from django.http import HttpRequest, HttpResponse, HttpResponseBase, JsonResponse
from django.shortcuts import render
from django.views.decorators.http import require_GET

from scheduling.queries import site_map as queries
from scheduling.queries.site_map import Box
from scheduling.views.downloads import Column, table_file
from scheduling.views.edge import branch_of, is_metric, now_and_today
from shared.access import requires
from shared.roles import Permission

COLUMNS = [
    Column("Site code", lambda row: row.code),
    Column("Site", lambda row: row.name),
    Column("Area", lambda row: row.area),
    Column("Customer", lambda row: row.customer),
    Column("State", lambda row: row.word),
    Column("Why", lambda row: row.why),
    Column("Treatment units", lambda row: row.units),
    Column("Orders to do", lambda row: row.orders),
    Column("Orders late", lambda row: row.late),
    Column("Latitude", lambda row: row.latitude),
    Column("Longitude", lambda row: row.longitude),
]


@requires(Permission.SEE_FLEET)
@require_GET
def site_map(request: HttpRequest) -> HttpResponse:
    """Draw the sites and list the most urgent."""
    _, today = now_and_today(request)
    state, box = _asked(request)
    page = queries.site_map(
        today=today, branch_id=branch_of(request), is_metric=is_metric(request), state=state, box=box,
        tiles_at=settings.MAP_TILE_URL,
    )  # fmt: skip
    query = request.GET.urlencode()
    context = {
        "page": page,
        "state": state,
        "is_near": box is not None,
        "query": query,
        "tile_credit": settings.MAP_TILE_CREDIT,
    }
    return render(request, "scheduling/site_map.html", context)


@requires(Permission.SEE_FLEET)
@require_GET
def site_map_file(request: HttpRequest, form: str) -> HttpResponseBase:
    """Return the sites that the page draws, as CSV, XLSX or GeoJSON."""
    _, today = now_and_today(request)
    state, box = _asked(request)
    rows = queries.site_rows(today=today, branch_id=branch_of(request), state=state, box=box)
    if form == "geojson":
        return JsonResponse(queries.site_geojson(rows), content_type="application/geo+json")
    return table_file("sites", form, COLUMNS, iter(rows))


def _asked(request: HttpRequest) -> tuple[str, Box | None]:
    state = request.GET.get("state", "")
    sides = [_degrees(request.GET.get(side, "")) for side in ("south", "north", "west", "east")]
    box = None if any(side is None for side in sides) else Box(*sides)
    return (state if state in queries.WORDS else ""), box


def _degrees(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) and abs(value) <= 360 else None
