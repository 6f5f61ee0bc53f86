"""Parts on shelves and vans: what lies where, receive, move, count, what to load, what to order.

The recall list: one lot, every site it reached.
"""

import uuid
from typing import Any, Final

from django import forms
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect
from django.utils.translation import gettext, gettext_lazy, ngettext
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fleet.models import PartKind
from scheduling.crew.day_load import technician_of
from scheduling.models import StockPlace
from scheduling.pages.request_context import branch_of, now_and_today
from scheduling.stock import movements
from scheduling.stock import recall as stock_recall
from scheduling.stock import selectors as queries
from scheduling.stock import tables as tables
from scheduling.stock.tables import RECALL
from shared.access import requires
from shared.errors import DomainError
from shared.roles import Permission, may
from shared.tables import render_or_export
from shared.translation import translate

USUAL_WEEKS: Final = 6
DAYS_AHEAD: Final = 7


class KindField(forms.ModelChoiceField):
    """A kind of part by name and code."""

    def label_from_instance(self, obj: PartKind) -> str:
        """Return name and code."""
        return f"{obj.name} ({obj.code})"


class MovementForm(forms.Form):
    """What every movement names. The client id makes a second press harmless."""

    client_id = forms.UUIDField(widget=forms.HiddenInput)
    kind = KindField(queryset=PartKind.objects.all(), label=gettext_lazy("Part"))
    lot = forms.CharField(
        label=gettext_lazy("Lot"),
        required=False,
        max_length=60,
        help_text=gettext_lazy("As printed on the part."),
    )


class ReceiveForm(MovementForm):
    """Parts that came in."""

    quantity = forms.IntegerField(label=gettext_lazy("How many"), min_value=1, max_value=movements.MOST)
    note = forms.CharField(
        label=gettext_lazy("Note"),
        required=False,
        max_length=120,
        help_text=gettext_lazy("E.g. the delivery note's number."),
    )


class MoveForm(MovementForm):
    """Parts carried elsewhere."""

    quantity = forms.IntegerField(label=gettext_lazy("How many"), min_value=1, max_value=movements.MOST)
    to_place = forms.ModelChoiceField(queryset=StockPlace.objects.none(), label=gettext_lazy("To"))


class CountForm(MovementForm):
    """What was counted."""

    counted = forms.IntegerField(label=gettext_lazy("Counted"), min_value=0, max_value=movements.MOST)
    reason = forms.CharField(
        max_length=120,
        label=gettext_lazy("Why it differs"),
        error_messages={
            "required": gettext_lazy("Say why it differs, e.g. counted, broken, lost; the movement keeps it.")
        },
    )


FORMS: Final[dict[str, type[MovementForm]]] = {"receive": ReceiveForm, "move": MoveForm, "count": CountForm}


@requires(Permission.SEE_STOCK)
@require_GET
def stock(request: HttpRequest) -> HttpResponseBase:
    """Show places; to those who plan also what vans lack and what to order."""
    branch_id = _stock_branch(request)
    _, today = now_and_today(request)
    plans = may(request.user.role, Permission.SEE_WORK)
    weeks = _weeks(request)
    loads = (
        [row for row in queries.van_loads(today, DAYS_AHEAD, branch_id) if row["missing"]] if plans else []
    )
    needs = queries.needs(today, weeks, branch_id) if plans else []
    return render_or_export(
        request,
        "stock/stock.html",
        {"plans": plans, "weeks": weeks, "days_ahead": DAYS_AHEAD},
        places=tables.PLACES.of(queries.places(branch_id)),
        loads=tables.LOADS.of([row for row in loads if row["missing"]]),
        needs=tables.NEEDS.of(needs),
    )


@requires(Permission.SEE_WORK)
@require_GET
def needs_file(request: HttpRequest, form: str) -> HttpResponseBase:
    """Return what to hold and order as CSV or XLSX."""
    _, today = now_and_today(request)
    return tables.NEEDS.of(queries.needs(today, _weeks(request), branch_of(request))).as_file(request, form)


@requires(Permission.MANAGE_WORK)
@require_POST
def set_up(request: HttpRequest) -> HttpResponse:
    """Make a shelf for each branch and a van for each technician that has none."""
    made = movements.set_up_places(branch_of(request))
    messages.success(
        request, ngettext("%(made)s place made.", "%(made)s places made.", made) % {"made": made}
    )
    return redirect("stock")


@requires(Permission.SEE_STOCK)
@require_http_methods(["GET", "POST"])
def stock_place(request: HttpRequest, code: str) -> HttpResponse:
    """Show a shelf or van; take what came in, was carried or counted."""
    place = queries.place_by_code(code, _stock_branch(request))
    if place is None:
        raise Http404(gettext("There is no such shelf or van in your branch."))
    if request.method == "GET":
        return _place_page(request, place)
    name = request.POST.get("what", "")
    if name not in FORMS:
        raise Http404(gettext("That is nothing one can do with parts."))
    form = _form(name, request, place, request.POST)
    if form.is_valid():
        try:
            done = _do(name, form.cleaned_data, place, request)
        except DomainError as error:
            form.add_error(error.field if error.field in form.fields else None, translate(error))
        else:
            messages.success(request, done)
            return redirect("stock_place", code=code)
    return _place_page(request, place, bound=(name, form), status=422)


def _do(name: str, data: dict[str, Any], place: StockPlace, request: HttpRequest) -> str:
    """Carry one form out and say what came of it."""
    now, _ = now_and_today(request)
    given = {"lot": data["lot"], "client_id": data["client_id"], "by": request.user, "now": now}
    kind = data["kind"]
    if name == "receive":
        movements.receive(place, kind, data["quantity"], note=data["note"], **given)
        return gettext("%(quantity)s × %(kind)s received at %(place)s.") % {
            "quantity": data["quantity"],
            "kind": kind,
            "place": place,
        }
    if name == "move":
        movements.move(kind, data["quantity"], from_place=place, to_place=data["to_place"], **given)
        return gettext("%(quantity)s × %(kind)s carried to %(to_place)s.") % {
            "quantity": data["quantity"],
            "kind": kind,
            "to_place": data["to_place"],
        }
    moved = movements.correct_count(place, kind, data["counted"], reason=data["reason"], **given)
    if moved is None:
        return gettext("The count of %(kind)s agrees; nothing changed.") % {"kind": kind}
    return gettext("%(kind)s: now %(counted)s at %(place)s (%(quantity)s).") % {
        "kind": kind,
        "counted": data["counted"],
        "place": place,
        "quantity": f"{moved.quantity:+d}",
    }


def _place_page(
    request: HttpRequest,
    place: StockPlace,
    *,
    bound: tuple[str, MovementForm] | None = None,
    status: int = 200,
) -> HttpResponse:
    mine = movements.may_change(request.user, place)
    is_shelf = place.technician_id is None
    may_take = mine or (is_shelf and technician_of(request.user.pk) is not None)
    names = [*(["receive"] if mine else []), *(["move"] if may_take else []), *(["count"] if mine else [])]
    made = {name: _form(name, request, place, None) for name in names}
    if bound and bound[0] in made:
        made[bound[0]] = bound[1]
    titles = {
        "receive": gettext("Receive"),
        "move": gettext("Move elsewhere"),
        "count": gettext("Correct a count"),
    }
    context = {
        "place": place,
        "levels": queries.levels(place),
        "movements": queries.movements(place),
        "forms": [(name, titles[name], form, bool(form.errors)) for name, form in made.items()],
    }
    return render_or_export(
        request,
        "stock/stock_place.html",
        context,
        status=status,
        levels=tables.LEVELS.of(context["levels"]),
        movements=tables.MOVEMENTS.of(context["movements"]),
    )


def _form(name: str, request: HttpRequest, place: StockPlace, data: Any) -> MovementForm:
    form = FORMS[name](data, initial={"client_id": uuid.uuid4()}, prefix=None, auto_id=f"{name}-%s")
    if isinstance(form, MoveForm):
        form.fields["to_place"].queryset = queries.other_places(place, _stock_branch(request))
    return form


def _stock_branch(request: HttpRequest) -> int | None:
    """Return the branch whose places a person sees; a technician's is that of the van."""
    branch_id = branch_of(request)
    if branch_id is None and not may(request.user.role, Permission.SEE_WORK):
        technician = technician_of(request.user.pk)
        return technician.branch_id if technician else 0
    return branch_id


def _weeks(request: HttpRequest) -> int:
    text = request.GET.get("weeks", "")
    return min(max(int(text), 1), 26) if text.isascii() and text.isdigit() and len(text) < 4 else USUAL_WEEKS


@requires(Permission.SEE_FLEET)
@require_GET
def recall(request: HttpRequest, form: str = "") -> HttpResponseBase:
    """Show every part of a lot with whom to tell."""
    lot, kind = _asked(request)
    branch_id = branch_of(request)
    rows = stock_recall.recall_rows(lot, kind, branch_id)
    context = {
        "lot": lot,
        "kind": kind,
        "rows": rows,
        "in_place": sum(row.removed_at is None for row in rows),
        "sites": len({row.treatment_unit.site_id for row in rows if row.removed_at is None}),
        "kinds": sorted({(row.kind.code, row.kind.name) for row in rows}),
        "stock": stock_recall.recall_stock(lot, kind, branch_id) if lot else [],
        "lots": [] if lot else stock_recall.lots_in_place(branch_id),
    }
    return render_or_export(request, "stock/recall.html", context, form=form, parts=RECALL.of(rows))


def _asked(request: HttpRequest) -> tuple[str, str]:
    return request.GET.get("lot", "").strip()[:60], request.GET.get("kind", "").strip()[:40]
