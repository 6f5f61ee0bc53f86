"""Say what the columns of a company's own spreadsheet mean, before it is looked at like any other."""

from dataclasses import replace

from django import forms
from django.contrib import messages
from django.http import Http404
from django.shortcuts import redirect, render
from django.utils.translation import gettext, gettext_lazy
from django.views.decorators.http import require_http_methods

from fleet.models import Branch, MeterMeasure, PartKind, WaterSupply
from scheduling.models import JobKind, LongJob, SpreadsheetMapping
from scheduling.operations import jobs, tasks
from scheduling.pages.request_context import now_and_today
from scheduling.workbook.mapping import own_files
from scheduling.workbook.mapping.conversion import Choices
from scheduling.workbook.mapping.tables import Table
from scheduling.workbook.mapping.targets import PART, ROLE_WORDS, TARGETS
from scheduling.workbook.mapping.values import DateOrder, plain_text
from shared.access import requires
from shared.errors import DomainError
from shared.heavy_posts import rate_limited
from shared.roles import Permission
from shared.translation import translate

SAMPLES = 3
"""Values of a column that are shown beside its header."""


class WholeFileForm(forms.Form):
    """What holds for the whole file."""

    date_order = forms.ChoiceField(
        label=gettext_lazy("A date such as 3/4/2024 is"),
        choices=[
            (DateOrder.MONTH_FIRST.value, gettext_lazy("4 March (month first)")),
            (DateOrder.DAY_FIRST.value, gettext_lazy("3 April (day first)")),
        ],
    )
    meter_measure = forms.ChoiceField(label=gettext_lazy("Meters count in"), choices=MeterMeasure.choices)
    go_live_on = forms.DateField(
        label=gettext_lazy("Go-live date"),
        required=False,
        widget=forms.DateInput(attrs={"type": "date"}),
        help_text=gettext_lazy(
            "Parts that went in before this day count as flushed then, so no flush is owed for them. "
            "Leave it empty if that is not so."
        ),
    )
    branch = forms.ModelChoiceField(
        Branch.objects.all(), label=gettext_lazy("Branch of the sites"), required=False, to_field_name="code"
    )
    supply = forms.ModelChoiceField(
        WaterSupply.objects.all(),
        label=gettext_lazy("Water supply of the sites"),
        required=False,
        to_field_name="code",
    )
    use_gal_per_day = forms.FloatField(
        label=gettext_lazy("Use of a unit where none is given [gal/day]"), min_value=0.1, max_value=1e6
    )
    permeate_gpm = forms.FloatField(
        label=gettext_lazy("Permeate flow of a unit where none is given [gpm]"),
        min_value=0.001,
        max_value=1e4,
    )
    save_as = forms.CharField(
        label=gettext_lazy("Keep these answers as"),
        max_length=80,
        required=False,
        help_text=gettext_lazy("The next file with the same columns is then read the same way."),
    )

    def __init__(self, *args, person, **kwargs):
        super().__init__(*args, **kwargs)
        if person.branch_id:
            self.fields["branch"].queryset = Branch.objects.filter(pk=person.branch_id)


@requires(Permission.IMPORT_FLEET)
@require_http_methods(["GET", "POST"])
@rate_limited
def import_columns(request, token):
    """Show what each column is taken for; take the answers and look at what would come of them."""
    path = jobs.kept_file(token, request.user.pk)
    last = LongJob.objects.filter(upload=token, made_by=request.user).first()
    if path is None or last is None:
        raise Http404(gettext("There is no such upload of yours. Upload the workbook again."))
    now, today = now_and_today(request)
    try:
        tables = own_files.tables_of(path)
    except DomainError as error:
        messages.error(request, translate(error))
        return redirect("import_preview", token=token)
    kept = own_files.kept_mapping(tables)
    choices = own_files.choices_from(last.given["choices"]) if "choices" in last.given else None
    choices = choices or own_files.first_choices(tables, kept, today=today)
    form = WholeFileForm(request.POST or None, person=request.user, initial=_initial(choices, kept))
    if request.method == "POST":
        choices = _answered(request.POST, tables, choices)
        if form.is_valid() and "look" in request.POST:
            choices = _with_whole(choices, form.cleaned_data)
            _keep(form.cleaned_data["save_as"], tables, choices, request.user, now)
            given = {"file": last.given.get("file", path.name), "choices": own_files.choices_as_json(choices)}
            try:
                job = jobs.begin(JobKind.IMPORT_LOOK, given=given, upload=token, by=request.user, now=now)
                tasks.do_long_job.enqueue(job_id=job.pk)
            except DomainError as error:
                messages.error(request, translate(error))
            return redirect("import_preview", token=token)
    context = {
        "form": form,
        "file": path.name,
        "token": token,
        "kept": kept,
        "tables": [_shown(number, table, choices) for number, table in enumerate(tables)],
        "names": [(part, choices.kinds.get(part.key, "")) for part in own_files.part_names(tables, choices)],
        "kinds": PartKind.objects.order_by("role", "name"),
    }
    return render(request, "operations/import_columns.html", context, status=422 if form.errors else 200)


def _initial(choices: Choices, kept: SpreadsheetMapping | None) -> dict:
    return {
        "date_order": choices.date_order.value, "meter_measure": choices.meter_measure,
        "go_live_on": choices.go_live_on, "branch": choices.branch, "supply": choices.supply,
        "use_gal_per_day": choices.use_gal_per_day, "permeate_gpm": choices.permeate_gpm,
        "save_as": kept.name if kept else "",
    }  # fmt: skip


def _answered(post, tables: list[Table], choices: Choices) -> Choices:
    known = {target.key for target in TARGETS} | {key for key, _label in _part_targets()}
    columns = {}
    for number, table in enumerate(tables):
        answers = [post.get(f"column-{number}-{index}", "") for index in range(len(table.headers))]
        columns[table.name] = [answer if answer in known else "" for answer in answers]
    kinds = {
        key.removeprefix("kind-"): value for key, value in post.items() if key.startswith("kind-") and value
    }
    return replace(choices, columns=columns, kinds={**choices.kinds, **kinds})


def _with_whole(choices: Choices, given: dict) -> Choices:
    return replace(
        choices,
        date_order=DateOrder(given["date_order"]),
        meter_measure=given["meter_measure"],
        go_live_on=given["go_live_on"],
        branch=given["branch"].code if given["branch"] else "",
        supply=given["supply"].code if given["supply"] else "",
        use_gal_per_day=given["use_gal_per_day"],
        permeate_gpm=given["permeate_gpm"],
    )


def _keep(name: str, tables: list[Table], choices: Choices, person, now) -> None:
    if name:
        headers = {table.name: table.headers for table in tables}
        values = {
            "headers": headers,
            "choices": own_files.choices_as_json(choices),
            "changed_by": person,
            "changed_at": now,
        }
        SpreadsheetMapping.objects.update_or_create(name=name, defaults=values)


def _part_targets() -> list[tuple[str, str]]:
    labels = dict(PartKind._meta.get_field("role").choices)
    return [
        (
            f"{PART}{role}{number}",
            gettext("Day changed: {part}").format(part=f"{labels[role]} {number[1:]}".strip()),
        )
        for role in ROLE_WORDS
        for number in ("", ".2")
    ]  # fmt: skip


def _shown(number: int, table: Table, choices: Choices) -> dict:
    """Return a table as the page shows it: header, samples and the target of every column."""
    chosen = list(choices.columns.get(table.name, ())) + [""] * len(table.headers)
    columns = [
        {
            "name": f"column-{number}-{index}",
            "header": header or gettext("column {number}").format(number=index + 1),
            "samples": [plain_text(cell) for cell in table.column(index, most=SAMPLES)],
            "target": chosen[index],
        }
        for index, header in enumerate(table.headers)
    ]
    whole = [(target.key, target.label) for target in TARGETS]
    groups = [(gettext("Values"), whole), (gettext("Parts by column"), _part_targets())]
    return {"table": table, "columns": columns, "groups": groups, "rows": len(table.rows)}
