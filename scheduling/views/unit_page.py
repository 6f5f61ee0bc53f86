"""The page of one treatment unit."""

from django.core.cache import cache
from django.http import Http404
from django.utils import timezone
from django.utils.translation import get_language, gettext

from fleet.charts import Fan, life_chart, performance_chart, use_chart
from fleet.queries.unit_history import UnitHistory, forecast_fan, unit_history
from fleet.science.settings import AssessmentSettings
from scheduling.queries.unit_page import find_unit, unit_page
from scheduling.queries.unit_rows import UnitPage
from scheduling.views import list_columns
from scheduling.views.downloads import ListFile, page_or_file
from scheduling.views.edge import branch_of
from shared.access import requires
from shared.roles import Permission

HISTORY_KEPT_SECONDS = 3600


@requires(Permission.SEE_FLEET)
def treatment_unit(request, serial: str):
    """Show readiness, wear, performance, history and work of a treatment unit."""
    unit = find_unit(serial, branch_of(request))
    if unit is None:
        raise Http404(gettext("There is no treatment unit %(serial)s.") % {"serial": serial})
    system = request.user.measure_system
    page = unit_page(unit, now=timezone.now(), system=system)
    context = {"page": page, "unit": unit, "state": getattr(unit, "state", None)}
    context["charts"] = _charts(page, system)
    return page_or_file(
        request,
        "fleet/treatment_unit.html",
        context,
        parts=ListFile("parts in place", list_columns.PARTS_IN_PLACE, lambda: page.parts),
        past_parts=ListFile("parts taken out", list_columns.PARTS_TAKEN_OUT, lambda: page.past_parts),
        readings=ListFile("meter readings", list_columns.METER_READINGS, lambda: page.meter_readings),
        gauges=ListFile("gauge readings", list_columns.GAUGES, lambda: page.gauges),
        tests=ListFile("feed tests", list_columns.FEED_TESTS, lambda: page.tests),
    )


def _charts(page: UnitPage, system: str) -> list:
    """Draw what there is to draw; a unit never assessed has nothing yet."""
    state = getattr(page.unit, "state", None)
    if state is None:
        return []
    history = _history(page.unit.pk, state.assessed_at)
    fans = [
        Fan(
            part.position,
            forecast_fan(part.wear, part.early_on, part.likely_on, part.late_on, page.today),
        )
        for part in page.parts
    ]
    numbers = {**state.numbers, "flow_change": state.flow_change, "raw_flow_change": state.raw_flow_change}
    limit = AssessmentSettings().performance.flow_limit
    charts = [
        life_chart(history.wear, history.changes, fans, page.today, page.zone),
        performance_chart(history.performance, numbers, limit, page.removed_membranes_at, page.zone, system),
        use_chart(history.use, history.use_water, page.zone, system),
    ]
    return [chart for chart in charts if chart is not None]


def _history(unit_id: int, assessed_at) -> UnitHistory:
    """Return the unit's history as of its assessment; reckoned once for each assessment."""
    key = f"unit_history:{unit_id}:{assessed_at.isoformat()}:{get_language()}"
    kept = cache.get(key)
    if kept is None:
        kept = unit_history(unit_id, assessed_at)
        cache.set(key, kept, HISTORY_KEPT_SECONDS)
    return kept
