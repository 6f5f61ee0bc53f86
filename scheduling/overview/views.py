"""The planner's overview.

The fleet list: searched, filtered, sorted, paged, and as a file.
The map of sites, its table and its files.
"""

import math
from collections.abc import Iterable
from datetime import timedelta

from django import forms
from django.conf import settings
from django.http import HttpRequest, HttpResponseBase, JsonResponse
from django.shortcuts import render
from django.utils.translation import gettext, gettext_lazy
from django.views.decorators.http import require_GET

from fleet.models import ReadinessState
from scheduling.models import ViewOf
from scheduling.overview import day_board as queries_board
from scheduling.overview import fleet_list as queries
from scheduling.overview import site_map as overview_site_map
from scheduling.overview import tables as tables
from scheduling.overview.fleet_list import FleetChoice
from scheduling.overview.overview import overview
from scheduling.overview.register_tables import SITES, UNITS
from scheduling.overview.site_map import Box
from scheduling.overview.today import today_on_the_road
from scheduling.pages.request_context import branch_of, is_metric, now_and_today, page_number, paging
from scheduling.pages.saved_views import view_links
from scheduling.routes.forms import day_asked
from shared.access import requires
from shared.roles import Permission
from shared.tables import asked_file, render_or_export


@requires(Permission.SEE_WORK)
def planner_overview(request):
    """Show how the fleet stands and what to do about it, in order of risk."""
    now, today = now_and_today(request)
    found = overview(now=now, today=today, branch_id=branch_of(request))
    return render_or_export(
        request,
        "overview/overview.html",
        {"page": found, "today": today},
        today=tables.ON_THE_ROAD.of(today_on_the_road(now=now, today=today, branch_id=branch_of(request))),
        load=tables.LOAD.of(found.days),
        changes=tables.CHANGES.of(found.changes),
    )


@requires(Permission.SEE_WORK)
@require_GET
def day_board(request: HttpRequest) -> HttpResponseBase:
    """Show a day of the technicians as a timeline, today's as it runs."""
    now, today = now_and_today(request)
    branch_id = branch_of(request)
    day = day_asked(request.GET.get("day", "")) or today
    running = today_on_the_road(now=now, today=today, branch_id=branch_id) if day == today else []
    return render_or_export(
        request,
        "overview/day_board.html",
        {
            "board": queries_board.day_board(day=day, now=now, today=today, branch_id=branch_id),
            "day": day,
            "before": day - timedelta(days=1),
            "after": day + timedelta(days=1),
            "is_today": day == today,
        },
        today=tables.ON_THE_ROAD.of(running),
    )


DUE = [
    ("", gettext_lazy("Any time")),
    ("0", gettext_lazy("Past due")),
    ("7", gettext_lazy("Within a week")),
    ("28", gettext_lazy("Within 4 weeks")),
    ("91", gettext_lazy("Within 3 months")),
]
SILENT = [
    ("", gettext_lazy("Any")),
    ("45", gettext_lazy("Silent for 45 days")),
    ("90", gettext_lazy("Silent for 90 days")),
]


class FleetFilter(forms.Form):
    """What may be asked of the list. Every field may stay empty."""

    q = forms.CharField(
        label=gettext_lazy("Search"),
        required=False,
        max_length=120,
        widget=forms.SearchInput(attrs={"placeholder": gettext_lazy("Serial, site or customer")}),
    )
    readiness = forms.ChoiceField(
        label=gettext_lazy("Readiness"),
        required=False,
        choices=[("", gettext_lazy("Any")), *ReadinessState.choices],
    )
    area = forms.ChoiceField(label=gettext_lazy("Area"), required=False)
    due = forms.ChoiceField(label=gettext_lazy("Due"), required=False, choices=DUE)
    silent = forms.ChoiceField(label=gettext_lazy("Meter"), required=False, choices=SILENT)
    decaying = forms.BooleanField(label=gettext_lazy("Decaying only"), required=False)
    sort = forms.ChoiceField(
        label=gettext_lazy("Sort"),
        required=False,
        choices=[(key, key) for key in queries.SORTS],
        widget=forms.HiddenInput,
    )

    def __init__(self, *args, areas: list[str], **kwargs):
        super().__init__(*args, **kwargs)
        self.fields["area"].choices = [("", gettext("Any")), *((area, area) for area in areas)]

    def choice(self, branch_id: int | None) -> FleetChoice:
        """Return what was asked; what makes no sense is left out."""
        self.is_valid()
        given = self.cleaned_data
        return FleetChoice(
            words=given.get("q") or "",
            readiness=given.get("readiness") or "",
            area=given.get("area") or "",
            due_within_days=int(given["due"]) if given.get("due") else None,
            is_decaying=bool(given.get("decaying")),
            silent_days=int(given["silent"]) if given.get("silent") else None,
            sort=given.get("sort") or "due",
            branch_id=branch_id,
        )


@requires(Permission.SEE_FLEET)
def fleet_list(request, form: str = ""):
    """Show one page of the list, or send all of it; htmx asks for the list alone."""
    now, today = now_and_today(request)
    branch_id = branch_of(request)
    asked = FleetFilter(request.GET, areas=queries.areas(branch_id))
    choice = asked.choice(branch_id)
    every = UNITS.of((), every=lambda: queries.fleet_rows(choice, now=now, today=today))
    if file := asked_file(request, form, units=every):
        return file
    found = queries.fleet_page(choice, now=now, today=today, page=page_number(request))
    context = {
        "form": asked,
        "lists": {"units": UNITS.of(found.rows, sort=choice.sort)},
        "rows": found.rows,
        "today": today,
        "paging": paging(
            request, page=found.page, pages=found.pages, total=found.total, size=queries.PAGE_SIZE,
            what=gettext("treatment units"),
        ),
        "is_filtered": choice != FleetChoice(sort=choice.sort, branch_id=branch_id),
        "saved": view_links(request, ViewOf.FLEET),
    }  # fmt: skip
    is_part = request.htmx and not request.htmx.history_restore_request
    return render(request, "overview/rows.html" if is_part else "overview/fleet_list.html", context)


@requires(Permission.SEE_FLEET)
@require_GET
def site_map(request: HttpRequest) -> HttpResponseBase:
    """Draw the sites and list the most urgent."""
    _, today = now_and_today(request)
    state, box = _asked(request)
    page = overview_site_map.site_map(
        today=today, branch_id=branch_of(request), is_metric=is_metric(request), state=state, box=box,
        tiles_at=settings.MAP_TILE_URL,
    )  # fmt: skip

    def rows() -> Iterable:
        return overview_site_map.site_rows(today=today, branch_id=branch_of(request), state=state, box=box)

    context = {
        "page": page,
        "state": state,
        "is_near": box is not None,
        "query": request.GET.urlencode(),
        "tile_credit": settings.MAP_TILE_CREDIT,
    }
    shown = page.rows if page else []
    said = gettext("The %(rows)s most urgent of these sites") % {"rows": len(shown)}
    listed = SITES.of(shown, every=rows, caption=said)
    return render_or_export(request, "overview/site_map.html", context, sites=listed)


@requires(Permission.SEE_FLEET)
@require_GET
def site_map_file(request: HttpRequest, form: str) -> HttpResponseBase:
    """Return the sites that the page draws, as CSV, XLSX or GeoJSON."""
    _, today = now_and_today(request)
    state, box = _asked(request)
    rows = overview_site_map.site_rows(today=today, branch_id=branch_of(request), state=state, box=box)
    if form == "geojson":
        return JsonResponse(overview_site_map.site_geojson(rows), content_type="application/geo+json")
    return SITES.of(rows).as_file(request, form)


def _asked(request: HttpRequest) -> tuple[str, Box | None]:
    state = request.GET.get("state", "")
    sides = [_degrees(request.GET.get(side, "")) for side in ("south", "north", "west", "east")]
    box = None if any(side is None for side in sides) else Box(*sides)
    return (state if state in overview_site_map.WORDS else ""), box


def _degrees(text: str) -> float | None:
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) and abs(value) <= 360 else None
