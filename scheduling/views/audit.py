"""Who changed what: for the owner all of it, for the planner what is about work."""

from datetime import datetime, time, timedelta
from typing import Final

from django import forms
from django.http import HttpRequest, HttpResponseBase
from django.shortcuts import render
from django.utils import timezone
from django.utils.translation import gettext, gettext_lazy
from django.views.decorators.http import require_GET

from fleet.models import AuditArea, Person
from scheduling.queries import audit as queries
from scheduling.views.downloads import Column, ListFile, asked_file
from scheduling.views.edge import branch_of, now_and_today, page_number, paging
from shared.access import requires
from shared.roles import Permission

PAGE_SIZE: Final = 50
DAYS_SHOWN: Final = 30
COLUMNS: Final = [
    Column("When", lambda row: row["told_at"]),
    Column("Who", lambda row: row["told_by"] or ""),
    Column("About", lambda row: AuditArea(row["told_area"]).label),
    Column("What", lambda row: row["told_what"]),
    Column("Which", lambda row: row["told_about"]),
    Column("Detail", lambda row: row["told_detail"]),
]


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
    areas = tuple(AuditArea) if request.user.may(Permission.MANAGE_PEOPLE) else queries.WORK_AREAS
    form = AuditFilter(request.GET or None, areas=areas, branch_id=branch_of(request))
    given = form.cleaned_data if form.is_valid() else {}
    first = given.get("first_on") or today - timedelta(days=DAYS_SHOWN)
    last = given.get("last_on") or today
    person = given.get("person")
    zone = timezone.get_current_timezone()
    asked = queries.Asked(
        first=datetime.combine(first, time(), zone),
        until=datetime.combine(last + timedelta(days=1), time(), zone),
        areas=(AuditArea(given["area"]),) if given.get("area") else areas,
        person=person.username if person else "",
        words=given.get("words") or "",
        branch_id=branch_of(request),
    )
    file = asked_file(
        request, changes=ListFile("changes", COLUMNS, lambda: queries.changes(asked).iterator())
    )
    if file:
        return file
    found = queries.changes_page(asked, page=page_number(request), size=PAGE_SIZE)
    rows = [(row, AuditArea(row["told_area"]).label) for row in found.rows]
    context = {
        "form": form, "rows": rows, "first": first, "last": last,
        "paging": paging(request, page=found.page, pages=found.pages, total=found.total, size=PAGE_SIZE,
                         what=gettext("changes"), is_more=found.is_more),
    }  # fmt: skip
    return render(request, "scheduling/audit.html", context, status=422 if form.errors else 200)
