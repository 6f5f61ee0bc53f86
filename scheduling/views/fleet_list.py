"""The fleet list: searched, filtered, sorted, paged, and as a file."""

from django import forms
from django.shortcuts import render
from django.urls import reverse
from django.utils.translation import gettext, gettext_lazy

from fleet.models import PatternName, ReadinessState
from scheduling.models import ViewOf
from scheduling.queries import fleet_list as queries
from scheduling.queries.fleet_list import FleetChoice
from scheduling.views.downloads import Column, table_file
from scheduling.views.edge import branch_of, headers, now_and_today, page_number, paging
from scheduling.views.saved_views import view_links
from shared.access import requires
from shared.roles import Permission

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
TITLES = [
    ("serial", gettext_lazy("Treatment unit"), False),
    ("site", gettext_lazy("Site"), False),
    ("", gettext_lazy("Readiness"), False),
    ("wear", gettext_lazy("Most worn part"), False),
    ("due", gettext_lazy("Next due"), False),
    ("flow", gettext_lazy("Normalised flow"), True),
    ("", gettext_lazy("Use"), True),
    ("read", gettext_lazy("Last read"), False),
    ("", gettext_lazy("Work"), True),
]
COLUMNS = [
    Column("Serial", lambda row: row.serial),
    Column("Label", lambda row: row.label),
    Column("Site code", lambda row: row.site_code),
    Column("Site", lambda row: row.site_name),
    Column("Area", lambda row: row.area),
    Column("Customer", lambda row: row.customer),
    Column("Readiness", lambda row: row.readiness_word),
    Column("Most worn part, share used", lambda row: row.worst_wear),
    Column("Next due", lambda row: row.next_due_on),
    Column("Decaying", lambda row: row.is_decaying),
    Column("Pattern", lambda row: PatternName(row.pattern).label if row.pattern else ""),
    Column("Normalised flow, change", lambda row: row.flow_change),
    Column("Permeate, gal/day", lambda row: row.permeate_gal_per_day),
    Column("Last read", lambda row: row.last_read_at),
    Column("Standing work orders", lambda row: row.standing_orders),
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
def fleet_list(request):
    """Show one page of the list; htmx asks for the list alone."""
    now, today = now_and_today(request)
    branch_id = branch_of(request)
    form = FleetFilter(request.GET, areas=queries.areas(branch_id))
    choice = form.choice(branch_id)
    found = queries.fleet_page(choice, now=now, today=today, page=page_number(request))
    context = {
        "form": form,
        "rows": found.rows,
        "total": found.total,
        "today": today,
        "headers": headers(request, TITLES, choice.sort),
        "paging": paging(
            request, page=found.page, pages=found.pages, total=found.total, size=queries.PAGE_SIZE,
            what=gettext("treatment units"),
        ),
        "is_filtered": choice != FleetChoice(sort=choice.sort, branch_id=branch_id),
        "saved": view_links(request, ViewOf.FLEET),
        "files": [(form_name.upper(), _file_address(request, form_name)) for form_name in ("csv", "xlsx")],
    }  # fmt: skip
    is_part = request.htmx and not request.htmx.history_restore_request
    return render(request, "fleet/rows.html" if is_part else "fleet/fleet_list.html", context)


@requires(Permission.SEE_FLEET)
def fleet_file(request, form: str):
    """Send every row of the same filter as a file."""
    now, today = now_and_today(request)
    branch_id = branch_of(request)
    choice = FleetFilter(request.GET, areas=queries.areas(branch_id)).choice(branch_id)
    rows = queries.fleet_rows(choice, now=now, today=today)
    return table_file("fleet", form, COLUMNS, rows)


def _file_address(request, form: str) -> str:
    query = request.GET.copy()
    query.pop("page", None)
    return f"{reverse('fleet_file', args=[form])}?{query.urlencode()}"
