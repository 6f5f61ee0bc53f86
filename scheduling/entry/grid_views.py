"""The grid of readings: treatment units down, register and gauges across."""

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext, gettext_lazy
from django.views.decorators.http import require_http_methods

from fleet.display.figures import measure_for
from fleet.models import Meter
from scheduling.entry.forms import moment_field
from scheduling.entry.grid import MOST_LINES, Entered, Line, enter_many, lines_of, meters_by_serial
from scheduling.entry.selectors import LastTotal, with_last
from scheduling.orders.again import look_again
from scheduling.overview.fleet_list import FleetChoice, areas, choose
from scheduling.pages.figures import quantity_of
from scheduling.pages.forms import ANY
from scheduling.pages.request_context import address_with, branch_of, now_and_today
from scheduling.visits.readings import GAUGES
from shared.access import requires
from shared.errors import DomainError
from shared.roles import Permission
from shared.translation import translate

ROWS: Final = 100
ROWS_WITH_GAUGES: Final = 40


class GridFilter(forms.Form):
    """Which treatment units stand in the grid."""

    words = forms.CharField(
        label=gettext_lazy("Serial, site or customer"), required=False, max_length=80,
        widget=forms.SearchInput(),
    )  # fmt: skip
    area = forms.ChoiceField(label=gettext_lazy("Area"), choices=ANY, required=False)
    gauges = forms.BooleanField(label=gettext_lazy("With gauges"), required=False)
    after = forms.CharField(required=False, max_length=60, widget=forms.HiddenInput)


class ManyForm(forms.Form):
    """What holds for all rows."""

    read_at = moment_field(gettext_lazy("Read"))
    because = forms.CharField(
        label=gettext_lazy("Keep the doubtful ones, because"), required=False, max_length=160
    )
    paste = forms.CharField(
        label=gettext_lazy("Paste from a spreadsheet"), required=False, strip=False,
        widget=forms.Textarea(attrs={"rows": 6, "spellcheck": "false", "wrap": "off"}),
        help_text=gettext_lazy(
            "Columns: serial, total, date (may be missing). A first line may name them, gauges by their "
            "columns too. A single column is taken in the order of the list below."
        ),
    )  # fmt: skip


@requires(Permission.EDIT_FLEET)
@require_http_methods(["GET", "POST"])
def enter_grid(request: HttpRequest) -> HttpResponse:
    """Show the grid, keep what was typed or pasted; what can't be kept stays in the page."""
    now, today = now_and_today(request)
    branch_id, system = branch_of(request), request.user.measure_system
    asked = GridFilter(request.GET)
    asked.fields["area"].choices = [*ANY, *((area, area) for area in areas(branch_id))]
    given = asked.cleaned_data if asked.is_valid() else {}
    has_gauges = bool(given.get("gauges"))
    choice = FleetChoice(
        words=given.get("words") or "", area=given.get("area") or "", sort="serial", branch_id=branch_id
    )
    units = choose(choice, now, today)
    size = ROWS_WITH_GAUGES if has_gauges else ROWS
    serials = list(
        units.filter(serial__gt=given.get("after") or "").values_list("serial", flat=True)[: size + 1]
    )
    meters = list(
        Meter.objects.filter(removed_at=None, treatment_unit__serial__in=serials[:size])
        .select_related("treatment_unit__site__customer").order_by("treatment_unit__serial", "-water")
    )  # fmt: skip
    rows = list(with_last(meters, now))
    form = ManyForm(request.POST or None, initial={"read_at": now.replace(second=0, microsecond=0)})
    done, typed = Entered(), {}
    if form.is_bound:
        typed = {
            name: text for name, text in request.POST.items() if name[:2] in ("t-", "g-") and text.strip()
        }
        if form.is_valid():
            done, typed = _keep(request, form, rows, typed, now=now, system=system, branch_id=branch_id)
            if done.kept and not done.problems:
                return redirect(request.get_full_path())
    context = {
        "filter": asked, "form": form, "done": done, "most": MOST_LINES,
        "gauges": _headings(system) if has_gauges else [],
        "rows": [_row(row, typed, has_gauges) for row in rows],
        "later_url": address_with(request, after=serials[size - 1]) if len(serials) > size else "",
    }  # fmt: skip
    status = 422 if form.errors or done.problems else 200
    return render(request, "entry/grid.html", context, status=status)


def _headings(system: str) -> list[tuple[str, str, str]]:
    return [(name, label, measure_for(quantity_of(name), system).value) for name, label in GAUGES.items()]


def _keep(
    request: HttpRequest, form: ManyForm, rows: Sequence[LastTotal], typed: dict[str, str], *,
    now: datetime, system: str, branch_id: int | None,
) -> tuple[Entered, dict[str, str]]:  # fmt: skip
    """Record pasted lines and typed cells; return what came of it and what stays in the cells."""
    data, keep_good = form.cleaned_data, request.POST.get("do") == "good"
    by_unit = {row.meter.treatment_unit.serial: row.meter for row in rows}
    try:
        lines = lines_of(data["paste"], [row.meter.serial or row.meter.treatment_unit.serial for row in rows])
    except DomainError as error:
        form.add_error("paste", translate(error))
        return Entered(), typed
    meters = meters_by_serial((line.serial for line in lines), branch_id)
    first = max((line.row for line in lines), default=0)
    for place, row in enumerate(rows, start=first + 1):
        cells = {"total": typed.get(f"t-{row.meter.pk}", "")}
        if by_unit[row.meter.treatment_unit.serial] is row.meter:
            cells |= {name: typed.get(f"g-{row.meter.treatment_unit_id}-{name}", "") for name in GAUGES}
        cells = {name: text for name, text in cells.items() if text.strip()}
        if cells:
            key = f"grid {row.meter.pk}"
            meters[key] = row.meter
            lines.append(Line(place, key, cells))
    if not lines:
        form.add_error(None, gettext("Nothing was entered. Fill in a cell, or paste some lines."))
        return Entered(), typed
    done = enter_many(
        lines, meters, at=data["read_at"], because=data["because"], keep_good=keep_good, system=system,
        by=request.user, now=now,
    )  # fmt: skip
    if done.kept:
        look_again(sorted({meters[line.serial.casefold()].treatment_unit_id for line in lines
                           if line.row not in done.bad_rows}), now)  # fmt: skip
        messages.success(request, gettext("%(kept)s readings are kept.") % {"kept": f"{done.kept:,}"})
    elif done.duplicates and not done.problems:
        messages.success(request, gettext("All of it was known already."))
    stays = done.bad_rows if keep_good else {line.row for line in lines}
    form.data = form.data.copy()
    form.data["paste"] = "\n".join(line.text for line in lines if line.text and line.row in stays)
    if keep_good:
        left = [meters[line.serial] for line in lines if line.row in done.bad_rows and not line.text]
        names = {f"t-{meter.pk}" for meter in left}
        names |= {f"g-{meter.treatment_unit_id}-{name}" for meter in left for name in GAUGES}
        typed = {name: text for name, text in typed.items() if name in names}
    names = {f"grid {row.meter.pk}": row.meter.treatment_unit.serial for row in rows}
    rows_of = {line.row: names.get(line.serial, line.serial) for line in lines}
    done.named = [(rows_of.get(problem.row, ""), problem) for problem in done.problems]
    return done, typed


def _row(row: LastTotal, typed: dict[str, str], has_gauges: bool) -> dict:
    names = {f"g-{row.meter.treatment_unit_id}-{name}": label for name, label in GAUGES.items()}
    return {
        "last": row, "typed": typed.get(f"t-{row.meter.pk}", ""),
        "gauges": [(name, label, typed.get(name, "")) for name, label in names.items()] if has_gauges else [],
    }  # fmt: skip
