"""Step sheets: the list, one sheet with its history, and editing it as a new version."""

from typing import Final

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render
from django.utils.translation import gettext
from django.views.decorators.http import require_GET, require_http_methods

from scheduling.models import OrderKind, StepSheet
from scheduling.orders import steps as orders_steps
from scheduling.orders.step_library import CONDITIONS, PHASES
from scheduling.orders.steps import ASKS, EditedStep
from scheduling.orders.tables import STEP_SHEETS
from scheduling.pages.request_context import now_and_today
from shared.access import requires
from shared.errors import DomainError
from shared.roles import Permission
from shared.tables import render_or_export
from shared.translation import translate

SPARE_ROWS: Final = 4
MOST_ROWS: Final = 100


@requires(Permission.MANAGE_WORK)
@require_GET
def step_sheets(request: HttpRequest) -> HttpResponse:
    """List the sheet in use of each kind of work."""
    now, _ = now_and_today(request)
    orders_steps.ensure_step_sheets(now)
    sheets = {
        sheet.kind: sheet for sheet in StepSheet.objects.filter(is_current=True).select_related("made_by")
    }
    rows = [
        {
            "kind": kind, "word": word, "sheet": sheets.get(kind),
            "controls": _controls(sheets[kind]) if kind in sheets else 0,
        }
        for kind, word in OrderKind.choices
    ]  # fmt: skip
    return render_or_export(request, "orders/step_sheets.html", {}, sheets=STEP_SHEETS.of(rows))


@requires(Permission.MANAGE_WORK)
@require_http_methods(["GET", "POST"])
def step_sheet(request: HttpRequest, kind: str) -> HttpResponse:
    """Show the sheet in use as a form; a saved change is a new version."""
    if kind not in OrderKind.values:
        raise Http404(gettext("There is no such kind of work."))
    current = orders_steps.current_sheet(kind)
    if request.method == "GET":
        stored = orders_steps.as_edited(current)
        cautions = "\n".join(current.cautions) if current else ""
        return _page(request, kind, current, stored, cautions, current.version if current else 0)
    return _save(request, kind, current)


@requires(Permission.MANAGE_WORK)
@require_GET
def step_sheet_version(request: HttpRequest, kind: str, version: int) -> HttpResponse:
    """Show one version as it was."""
    sheet = StepSheet.objects.filter(kind=kind, version=version).select_related("made_by").first()
    if sheet is None:
        raise Http404(gettext("There is no such version."))
    return render(request, "orders/step_sheets_version.html", {"sheet": sheet, "asks": _asks()})


def _save(request: HttpRequest, kind: str, current: StepSheet | None) -> HttpResponse:
    now, _ = now_and_today(request)
    edited = _edited(request.POST)
    cautions = request.POST.get("cautions", "")
    text = request.POST.get("from_version", "")
    from_version = int(text) if text.isascii() and text.isdigit() and len(text) < 6 else -1
    try:
        sheet = orders_steps.edit(
            kind, from_version=from_version, cautions=cautions.splitlines(), edited=edited,
            gives_up=request.POST.getlist("gives_up"), by=request.user, now=now,
        )  # fmt: skip
    except DomainError as error:
        return _page(
            request, kind, current, edited, cautions, from_version, problem=translate(error), status=422
        )
    messages.success(
        request,
        gettext("Version %(version)s is in use. Close-outs on the way keep the version they began with.")
        % {"version": sheet.version},
    )
    return redirect("step_sheet", kind=kind)


def _page(
    request: HttpRequest,
    kind: str,
    current: StepSheet | None,
    edited: list[EditedStep],
    cautions: str,
    from_version: int,
    *,
    problem: str = "",
    status: int = 200,
) -> HttpResponse:
    rows = [*enumerate(edited), *((len(edited) + n, EditedStep("")) for n in range(SPARE_ROWS))]
    context = {
        "kind": kind,
        "kind_word": OrderKind(kind).label,
        "sheet": current,
        "rows": rows,
        "cautions": cautions,
        "from_version": from_version,
        "problem": problem,
        "given_up": orders_steps.controls_given_up(current, edited) if problem else [],
        "history": StepSheet.objects.filter(kind=kind).select_related("made_by"),
        "asks": _asks().items(),
        "phases": PHASES.items(),
        "conditions": CONDITIONS.items(),
    }
    return render(request, "orders/step_sheets_edit.html", context, status=status)


def _edited(posted: QueryDict) -> list[EditedStep]:
    """Return the steps as typed, in the order of their numbers; an empty text takes a step away."""
    found = []
    for row in range(MOST_ROWS):
        text = posted.get(f"text-{row}")
        if text is None:
            break
        if not text.strip():
            continue
        place = posted.get(f"place-{row}", "")
        step = EditedStep(
            text=text.strip(),
            code=posted.get(f"code-{row}", ""),
            is_hazard_control=f"control-{row}" in posted,
            asks=posted.get(f"asks-{row}", ""),
            phase=posted.get(f"phase-{row}", ""),
            when=posted.get(f"when-{row}", ""),
        )
        found.append((_number(place, row), row, step))
    return [step for _, _, step in sorted(found, key=lambda one: one[:2])]


def _number(text: str, row: int) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        return float(row + 1)


def _controls(sheet: StepSheet) -> int:
    return sum(bool(step.get("is_hazard_control")) for step in sheet.steps)


def _asks() -> dict[str, str]:
    """Return what the phone may ask for at a step, in the reader's language."""
    return {code: translate(word) for code, word in ASKS.items()}
