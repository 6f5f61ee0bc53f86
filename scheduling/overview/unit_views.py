"""The page of one treatment unit.

The page of one site.
Who changed what: for the owner all of it, for the planner what is about work.
"""

from datetime import datetime, time, timedelta
from typing import Final

from django import forms
from django.core.cache import cache
from django.http import Http404, HttpRequest, HttpResponseBase
from django.shortcuts import render
from django.utils import timezone
from django.utils.translation import get_language, gettext, gettext_lazy
from django.views.decorators.http import require_GET

from fleet.assessment.unit_history import UnitHistory, forecast_fan, unit_history
from fleet.display.charts import Fan, life_chart, performance_chart, use_chart
from fleet.models import AuditArea, Person
from fleet.science.settings import AssessmentSettings
from scheduling.overview import activity
from scheduling.overview import register_tables as tables
from scheduling.overview import site as queries
from scheduling.overview.tables import ACTIVITY
from scheduling.overview.treatment_unit import UnitPage, find_unit, unit_page
from scheduling.pages.request_context import branch_of, now_and_today, page_number, paging
from shared.access import requires
from shared.roles import Permission, may
from shared.tables import asked_file, render_or_export

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
    return render_or_export(
        request,
        "overview/treatment_unit.html",
        context,
        parts=tables.PARTS_IN_PLACE.of(page.parts),
        past_parts=tables.PARTS_TAKEN_OUT.of(page.past_parts),
        readings=tables.METER_READINGS.of(page.meter_readings),
        gauges=tables.GAUGES.of(page.gauges),
        tests=tables.FEED_TESTS.of(page.tests),
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


@requires(Permission.SEE_FLEET)
def site_page(request, code: str):
    """Show a site's treatment units, plans, feed tests, hours and visits."""
    now, today = now_and_today(request)
    page = queries.site_page(code, branch_id=branch_of(request), now=now, today=today)
    if page is None:
        raise Http404(gettext("There is no site %(code)s.") % {"code": code})
    plans = {}
    if may(request.user.role, Permission.SEE_REVENUE):
        plans["plans"] = tables.SITE_PLANS.of(page.plans)
    return render_or_export(
        request,
        "overview/site.html",
        {"page": page, "site": page.site, "today": today},
        units=tables.SITE_UNITS.of(page.units),
        tests=tables.FEED_TESTS.of(page.tests),
        **plans,
    )


PAGE_SIZE: Final = 50
DAYS_SHOWN: Final = 30


class AuditFilter(forms.Form):
    """Which changes."""

    words = forms.CharField(
        label=gettext_lazy("Search"), required=False, max_length=80, widget=forms.SearchInput()
    )
    area = forms.ChoiceField(label=gettext_lazy("About"), required=False)
    person = forms.ModelChoiceField(
        Person.objects.order_by("username"),
        label=gettext_lazy("Person"),
        required=False,
        to_field_name="username",
        empty_label=gettext_lazy("Anybody"),
    )
    first_on = forms.DateField(
        label=gettext_lazy("From"),
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )
    last_on = forms.DateField(
        label=gettext_lazy("To"),
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
    )

    def __init__(self, *args, areas: tuple[AuditArea, ...], branch_id: int | None, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["area"].choices = [("", gettext("Anything")), *((str(one), one.label) for one in areas)]
        if branch_id is not None:
            self.fields["person"].queryset = Person.objects.filter(branch_id=branch_id).order_by("username")


@requires(Permission.SEE_CHANGES)
@require_GET
def audit_trail(request: HttpRequest) -> HttpResponseBase:
    """List changes of the last 30 days, or of the days asked for, newest first."""
    _, today = now_and_today(request)
    areas = tuple(AuditArea) if request.user.may(Permission.MANAGE_PEOPLE) else activity.WORK_AREAS
    form = AuditFilter(request.GET or None, areas=areas, branch_id=branch_of(request))
    given = form.cleaned_data if form.is_valid() else {}
    first = given.get("first_on") or today - timedelta(days=DAYS_SHOWN)
    last = given.get("last_on") or today
    person = given.get("person")
    zone = timezone.get_current_timezone()
    asked = activity.Asked(
        first=datetime.combine(first, time(), zone),
        until=datetime.combine(last + timedelta(days=1), time(), zone),
        areas=(AuditArea(given["area"]),) if given.get("area") else areas,
        person=person.username if person else "",
        words=given.get("words") or "",
        branch_id=branch_of(request),
    )
    every = ACTIVITY.of((), every=lambda: activity.changes(asked).iterator())
    if file := asked_file(request, changes=every):
        return file
    found = activity.changes_page(asked, page=page_number(request), size=PAGE_SIZE)
    context = {
        "form": form, "rows": found.rows, "first": first, "last": last,
        "lists": {"changes": ACTIVITY.of(found.rows)},
        "paging": paging(request, page=found.page, pages=found.pages, total=found.total, size=PAGE_SIZE,
                         what=gettext("changes"), is_more=found.is_more),
    }  # fmt: skip
    return render(request, "overview/audit.html", context, status=422 if form.errors else 200)
