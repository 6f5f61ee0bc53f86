"""Pages of technicians and the calendar: who is away, who comes, who works when, which days nobody works."""

from collections.abc import Callable
from datetime import timedelta
from itertools import groupby
from typing import Any, Final

from django import forms
from django.contrib import messages
from django.db.models import Min, Q
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fleet.models import Branch, Site
from scheduling.crew import calendar, calendar_entries, tables, team
from scheduling.crew.forms import (
    AbsenceForm,
    ClosureForm,
    DayForm,
    DetailsForm,
    LeavingForm,
    NewcomerForm,
    PatternForm,
    RegionForm,
)
from scheduling.models import ALWAYS, Absence, HolidayRegion, SiteClosure, Technician
from scheduling.pages.request_context import branch_of, now_and_day_of, now_and_today, of_own_branch
from shared.access import requires
from shared.errors import DomainError
from shared.periods import days_from, local_day
from shared.roles import Permission, may
from shared.tables import render_or_export
from shared.translation import translate

CALENDAR_DAYS: Final = 366


def technicians_of(request: HttpRequest):
    """Return the technicians this person may see."""
    rows = Technician.objects.select_related("branch", "person", "van")
    return of_own_branch(request, rows)


def sees_cost(request: HttpRequest) -> bool:
    """Say whether costs are shown to this person."""
    return may(request.user.role, Permission.SEE_MARGINS)


def did(form: forms.Form, do: Callable[[], object]) -> bool:
    """Do what a form asks; a refusal becomes the form's own error."""
    try:
        do()
    except DomainError as error:
        form.add_error(error.field if error.field in form.fields else None, translate(error))
        return False
    return True


@requires(Permission.SEE_WORK)
@require_GET
def technicians(request: HttpRequest) -> HttpResponseBase:
    """List the technicians."""
    _, today = now_and_today(request)
    ahead = Q(absences__last_on__gte=today) | Q(absences__repeats_until__gte=today)
    rows = technicians_of(request).annotate(away_next=Min("absences__first_on", filter=ahead))
    listed = sorted(rows, key=lambda row: (not row.is_active, row.name))
    for row in listed:
        row.van_name = row.van.name if hasattr(row, "van") else ""
    return render_or_export(
        request, "crew/technicians.html", {"today": today}, technicians=tables.TECHNICIANS.of(listed)
    )


@requires(Permission.SEE_WORK)
@require_GET
def technician(request: HttpRequest, code: str) -> HttpResponseBase:
    """Show a technician: away when, working when, details."""
    return _page(request, get_object_or_404(technicians_of(request), code=code))


def _page(request: HttpRequest, who: Technician, **given: forms.Form) -> HttpResponseBase:
    _, today = now_and_day_of(who)
    details = {
        "name": who.name, "start_latitude": who.start_latitude, "start_longitude": who.start_longitude,
        "skills": who.skills.all(), "person": who.person_id, "cost_per_hour": who.cost_per_hour,
    }  # fmt: skip
    usual = list(who.shifts.order_by("from_on", "weekday"))
    holds = list(calendar.pattern_on(usual, today).values())
    week = {"weekdays": [row.weekday for row in holds]}
    if holds:
        week |= {
            "starts_at": holds[0].starts_at,
            "ends_at": holds[0].ends_at,
            "lunch_minutes": holds[0].lunch_minutes,
        }
    context = {
        "who": who,
        "van": getattr(who, "van", None),
        "today": today,
        "absence_form": AbsenceForm(initial={"first_on": today}),
        "pattern_form": PatternForm(initial={"from_on": today, **week}),
        "details_form": DetailsForm(
            branch_id=who.branch_id, of=who, sees_cost=sees_cost(request), initial=details
        ),
        "leaving_form": LeavingForm(initial={"last_on": who.last_on or today}),
        "days_off": [
            (day, name) for day, name in sorted(calendar.days_off(who.branch, days_from(today, 92)).items())
        ][:5],
    }
    return render_or_export(
        request,
        "crew/technician.html",
        context | given,
        status=422 if given else 200,
        absences=tables.ABSENCES.of(list(who.absences.order_by("-first_on", "-pk")[:50])),
        weeks=tables.WEEK.of(_weeks(usual)),
    )


def _weeks(shifts: list) -> list[dict[str, Any]]:
    """Return one row per pattern and hours, newest pattern first."""
    rows = []
    for (from_on, starts, ends, lunch), same in groupby(
        sorted(shifts, key=lambda row: (row.from_on, row.starts_at, row.ends_at, row.lunch_minutes)),
        key=lambda row: (row.from_on, row.starts_at, row.ends_at, row.lunch_minutes),
    ):
        days = sorted(row.weekday for row in same)
        rows.append(
            {
                "from_on": None if from_on == ALWAYS else from_on,
                "weekdays": days,
                "hours": f"{starts:%H:%M}–{ends:%H:%M}",
                "lunch_minutes": lunch,
            }
        )
    return rows[::-1]


@requires(Permission.PLAN_ROUTES)
@require_POST
def add_absence(request: HttpRequest, code: str) -> HttpResponseBase:
    """Write when a technician is away."""
    who = get_object_or_404(technicians_of(request), code=code)
    now, today = now_and_day_of(who)
    form = AbsenceForm(request.POST)
    if form.is_valid() and did(
        form,
        lambda: calendar_entries.add_absence(who, **form.cleaned_data, today=today, by=request.user, now=now),
    ):
        messages.success(
            request,
            gettext("The absence is saved. Published routes stay until they are re-planned."),
        )
        return redirect("technician", code=code)
    return _page(request, who, absence_form=form)


@requires(Permission.PLAN_ROUTES)
@require_POST
def end_absence(request: HttpRequest, pk: int) -> HttpResponse:
    """Take back what of an absence lies ahead."""
    absence = get_object_or_404(
        Absence.objects.select_related("technician__branch"), pk=pk, technician__in=technicians_of(request)
    )
    now, today = now_and_day_of(absence.technician)
    try:
        calendar_entries.end_absence(absence, today=today, by=request.user, now=now)
    except DomainError as error:
        messages.error(request, translate(error))
    else:
        messages.success(request, gettext("Taken back."))
    return redirect("technician", code=absence.technician.code)


@requires(Permission.PLAN_ROUTES)
@require_POST
def set_pattern(request: HttpRequest, code: str) -> HttpResponseBase:
    """Change a technician's working week from a day on."""
    who = get_object_or_404(technicians_of(request), code=code)
    now, today = now_and_day_of(who)
    form = PatternForm(request.POST)
    if form.is_valid() and did(
        form, lambda: team.set_pattern(who, **form.cleaned_data, today=today, by=request.user, now=now)
    ):
        messages.success(request, gettext("The working week is changed from that day on."))
        return redirect("technician", code=code)
    return _page(request, who, pattern_form=form)


@requires(Permission.PLAN_ROUTES)
@require_POST
def change_technician(request: HttpRequest, code: str) -> HttpResponseBase:
    """Change a technician's details."""
    who = get_object_or_404(technicians_of(request), code=code)
    now, _ = now_and_day_of(who)
    form = DetailsForm(request.POST, branch_id=who.branch_id, of=who, sees_cost=sees_cost(request))
    if form.is_valid() and did(
        form, lambda: team.change_technician(who, form.cleaned_data, by=request.user, now=now)
    ):
        messages.success(request, gettext("Saved."))
        return redirect("technician", code=code)
    return _page(request, who, details_form=form)


@requires(Permission.PLAN_ROUTES)
@require_http_methods(["GET", "POST"])
def new_technician(request: HttpRequest) -> HttpResponse:
    """Take on a technician."""
    now, today = now_and_today(request)
    form = NewcomerForm(
        request.POST or None,
        branch_id=branch_of(request),
        sees_cost=sees_cost(request),
        initial={"works_from": today},
    )
    if request.method == "POST" and form.is_valid():
        made = []
        if did(form, lambda: made.append(team.add_technician(**form.cleaned_data, by=request.user, now=now))):
            messages.success(
                request, gettext("%(name)s is planned from the first day on.") % {"name": made[0].name}
            )
            return redirect("technician", code=made[0].code)
    return render(request, "crew/new_technician.html", {"form": form}, status=422 if form.errors else 200)


@requires(Permission.PLAN_ROUTES)
@require_http_methods(["GET", "POST"])
def site_closures(request: HttpRequest, code: str) -> HttpResponseBase:
    """Show when a site is closed; close it from a day to a day."""
    site = get_object_or_404(of_own_branch(request, Site.objects.all()), code=code)
    now, _ = now_and_today(request)
    today = local_day(now, site.time_zone)
    form = ClosureForm(request.POST or None, initial={"first_on": today})
    if (
        request.method == "POST"
        and form.is_valid()
        and did(
            form,
            lambda: calendar_entries.close_site(
                site, **form.cleaned_data, today=today, by=request.user, now=now
            ),
        )
    ):
        messages.success(
            request,
            gettext("The closure is saved. Published routes stay until they are re-planned."),
        )
        return redirect("site_closures", code=code)
    return render_or_export(
        request,
        "crew/site_closures.html",
        {"site": site, "form": form},
        status=422 if form.errors else 200,
        closures=tables.CLOSURES.of(list(site.closures.order_by("-first_on"))),
    )


@requires(Permission.PLAN_ROUTES)
@require_POST
def reopen_site(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a closure back."""
    rows = SiteClosure.objects.select_related("site")
    closure = get_object_or_404(of_own_branch(request, rows, "site__branch_id"), pk=pk)
    now, _ = now_and_today(request)
    calendar_entries.reopen_site(closure, by=request.user, now=now)
    messages.success(request, gettext("Taken back."))
    return redirect("site_closures", code=closure.site.code)


@requires(Permission.SEE_WORK)
@require_GET
def company_calendar(request: HttpRequest) -> HttpResponseBase:
    """Show the days nobody works, branch by branch."""
    return _calendar_page(request)


def _calendar_page(request: HttpRequest, **given: forms.Form) -> HttpResponseBase:
    _, today = now_and_today(request)
    branches = of_own_branch(request, Branch.objects.order_by("name"), "pk")
    days = days_from(today - timedelta(days=7), CALENDAR_DAYS)
    rows = [
        {"day": day, "branch": branch.name, "name": name}
        for branch in branches
        for day, name in calendar.days_off(branch, days).items()
    ]
    context = {
        "regions": HolidayRegion.objects.select_related("branch").order_by("branch__name"),
        "region_form": RegionForm(),
        "day_form": DayForm(branch_id=branch_of(request)),
    }
    return render_or_export(
        request,
        "crew/calendar.html",
        context | given,
        status=422 if given else 200,
        days_off=tables.DAYS_OFF.of(sorted(rows, key=lambda row: (row["day"], row["branch"]))),
    )


@requires(Permission.MANAGE_PEOPLE)
@require_POST
def set_region(request: HttpRequest) -> HttpResponseBase:
    """Say whose public holidays count."""
    now, _ = now_and_today(request)
    form = RegionForm(request.POST)
    if form.is_valid() and did(
        form, lambda: calendar_entries.set_region(**form.cleaned_data, by=request.user, now=now)
    ):
        messages.success(request, gettext("Saved. Plans made from now on keep these holidays."))
        return redirect("company_calendar")
    return _calendar_page(request, region_form=form)


@requires(Permission.PLAN_ROUTES)
@require_POST
def set_calendar_day(request: HttpRequest) -> HttpResponseBase:
    """Have a branch work on a holiday, or not work on another day."""
    now, _ = now_and_today(request)
    form = DayForm(request.POST, branch_id=branch_of(request))
    if form.is_valid() and did(
        form, lambda: calendar_entries.set_day(**form.cleaned_data, by=request.user, now=now)
    ):
        messages.success(request, gettext("Saved."))
        return redirect("company_calendar")
    return _calendar_page(request, day_form=form)
