"""The planner's hands: move a stop after seeing the effect, undo, pin, promise, compare two plans.

Sick calls and urgent work: asked for, watched, published or undone.
"""

from dataclasses import dataclass
from datetime import date
from urllib.parse import urlencode

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from scheduling.models import Replan, RouteProposal, Stop, Technician, WorkOrder
from scheduling.orders.selectors import number_of
from scheduling.pages.request_context import branch_of, now_and_today
from scheduling.routes import change_pages as queries
from scheduling.routes import moves, promises, replanning, tables, tasks
from scheduling.routes.board import proposals_of
from scheduling.routes.forms import PromiseForm, ReplanForm, day_asked
from scheduling.routes.views import progress_part, tell, tried
from shared.access import requires
from shared.errors import DomainError
from shared.heavy_posts import rate_limited
from shared.roles import Permission
from shared.tables import render_or_export
from shared.translation import translate

NOBODY = "nobody"
MOST_ORDERS = 20


@dataclass(frozen=True)
class MoveRequest:
    """What a person wants moved, and where to."""

    orders: list[WorkOrder]
    to: Technician | None
    day: date | None
    is_whole: bool
    """True when it says enough to show an effect."""
    leaves_out: bool

    @property
    def query(self) -> str:
        """The same wish as an address."""
        return urlencode([("order", order.pk) for order in self.orders])


@requires(Permission.PLAN_ROUTES)
@require_http_methods(["GET", "POST"])
def move_stop(request: HttpRequest, pk: int) -> HttpResponse:
    """Show what a move would do; keep it when told to."""
    row = _plan_of(request, pk)
    now, _ = now_and_today(request)
    asked = request.POST if request.method == "POST" else request.GET
    page, wish = _move_request(row, asked)
    refused = None
    if request.method == "POST" and wish.is_whole:
        text = asked.get("seen", "")
        seen = int(text) if text.isascii() and text.isdigit() else -1
        try:
            kept = moves.keep_move(row, wish.orders, wish.to, wish.day, seen=seen, by=request.user, now=now)
        except DomainError as error:
            refused = error
        else:
            messages.success(
                request,
                gettext("%(what)s. Kept as change %(number)s; it can be undone.")
                % {"what": kept.what, "number": kept.number},
            )
            return redirect("proposal", pk=pk)
    shown = moves.show_move(row, wish.orders, wish.to, wish.day, now=now) if wish.is_whole else None
    context = {
        "row": row,
        "page": page,
        "wish": wish,
        "refused": refused,
        "shown": shown,
        "effect": queries.effect_row(shown.effect) if shown and shown.effect else None,
        "seen": moves.latest_number(row),
    }
    return render(request, "routes/move.html", context, status=422 if refused else 200)


@requires(Permission.SEE_WORK)
@require_GET
def plan_changes(request: HttpRequest, pk: int) -> HttpResponse:
    """List what was changed by hand, newest first."""
    row = _plan_of(request, pk)
    rows = queries.revisions(row)
    return render_or_export(
        request,
        "routes/move_changes.html",
        {"row": row, "rows": rows},
        changes=tables.HAND_CHANGES.of(rows),
    )


@requires(Permission.PLAN_ROUTES)
@require_POST
def undo_move(request: HttpRequest, pk: int) -> HttpResponse:
    """Take the newest change by hand back."""
    now, _ = now_and_today(request)
    row = _plan_of(request, pk)
    tell(
        request,
        lambda: moves.undo(row, by=request.user, now=now),
        lambda undone: gettext("Undone: %(what)s.") % {"what": undone.what},
    )
    return redirect("plan_changes", pk=pk)


@requires(Permission.PLAN_ROUTES)
@require_POST
def pin_stop(request: HttpRequest, pk: int, stop: int) -> HttpResponse:
    """Pin a stop to its person and day, or let it go."""
    stops = Stop.objects.select_related("route__proposal", "route__technician")
    row = get_object_or_404(stops, pk=stop, route__proposal=_plan_of(request, pk))
    now, _ = now_and_today(request)
    is_pinned = request.POST.get("pinned") == "yes"
    word = gettext("Locked: no plan moves it.") if is_pinned else gettext("Unlocked: plans may move it.")
    tell(request, lambda: moves.set_pin(row, is_pinned, by=request.user, now=now), lambda _: word)
    return redirect(f"{reverse('move_stop', args=[pk])}?stop={stop}")


@requires(Permission.MANAGE_WORK)
@require_http_methods(["GET", "POST"])
def promise_order(request: HttpRequest, pk: int) -> HttpResponse:
    """Promise the customer a day, which pins the order to it."""
    orders = WorkOrder.objects.select_related("site", "treatment_unit")
    if branch_id := branch_of(request):
        orders = orders.filter(site__branch_id=branch_id)
    order = get_object_or_404(orders, pk=pk)
    now, _ = now_and_today(request)
    begins, ends = order.promised_hours or (None, None)
    initial = {"day": order.promised_on, "begins": begins, "ends": ends}
    form = PromiseForm(request.POST or None, initial=initial)
    if request.method == "POST" and form.is_valid():
        day = form.cleaned_data["day"]
        try:
            was = order.state
            order = promises.promise(order, day, hours=form.cleaned_data["hours"], by=request.user, now=now)
        except DomainError as error:
            field = {"promised_from": "begins", "promised_until": "ends"}.get(error.field, "day")
            form.add_error(field, f"{translate(error)} {translate(error.remedy)}")
        else:
            told = {"day": translate(promises.promised_text(order))} if day else {}
            said = gettext("promised for %(day)s; plans keep it") if day else gettext("free of its promise")
            said %= told
            messages.success(request, gettext("%(pk)s is %(said)s.") % {"pk": number_of(pk), "said": said})
            if order.state != was:
                left = gettext("The published route had it at another time. Re-plan to place it.")
                messages.warning(request, left)
            return redirect("work_order", pk=pk)
    context = {"order": order, "number": number_of(pk), "form": form}
    return render(request, "routes/move_promise.html", context, status=422 if form.errors else 200)


@requires(Permission.SEE_WORK)
@require_GET
def compare_plans(request: HttpRequest, pk: int) -> HttpResponse:
    """Show what changes, and for whom, when this plan takes the place of another."""
    row = _plan_of(request, pk)
    other = request.GET.get("with", "")
    before = None
    if other.isascii() and other.isdigit() and len(other) < 10:
        before = proposals_of(branch_of(request)).filter(pk=int(other)).first()
    context = {
        "row": row,
        "others": queries.others_to_compare(row),
        "before": before,
        "effect": queries.comparison(before, row) if before else None,
    }
    return render(request, "routes/compare.html", context)


def _move_request(row: RouteProposal, asked: QueryDict) -> tuple[queries.MovePage, MoveRequest]:
    ids = [int(one) for one in asked.getlist("order") if one.isascii() and one.isdigit()][:MOST_ORDERS]
    stop = asked.get("stop", "")
    if stop.isascii() and stop.isdigit():
        ids = queries.orders_of_stop(row.pk, int(stop))
    page = queries.move_page(row, ids)
    if not page.orders or len({one.order.site.branch_id for one in page.orders}) > 1:
        raise Http404(gettext("This plan has no such stop any more. Go back to the plan."))
    if row.branch_id and page.orders[0].order.site.branch_id != row.branch_id:
        raise Http404(gettext("That order belongs to another branch."))
    code = asked.get("technician", "")
    to = next((one for one in page.people if str(one.pk) == code), None)
    day = day_asked(asked.get("day", ""))
    day = day if day in page.days else None
    leaves_out = code == NOBODY
    is_whole = leaves_out or (to is not None and day is not None)
    orders = [one.order for one in page.orders]
    return page, MoveRequest(orders, to, None if leaves_out else day, is_whole, leaves_out)


def _plan_of(request: HttpRequest, pk: int) -> RouteProposal:
    return get_object_or_404(proposals_of(branch_of(request)), pk=pk)


@requires(Permission.PLAN_ROUTES)
@require_http_methods(["GET", "POST"])
@rate_limited
def replan(request: HttpRequest) -> HttpResponse:
    """Take a sick call, or urgent work, and plan what is published anew."""
    now, today = now_and_today(request)
    form = ReplanForm(request.POST or None, branch_id=branch_of(request), initial={"first_on": today})
    if request.method == "POST" and form.is_valid() and (made := _begin(request, form, now)):
        return redirect("replan_result", pk=made.proposal_id)
    return render(request, "routes/replan.html", {"form": form}, status=422 if form.errors else 200)


@requires(Permission.SEE_WORK)
@require_GET
def replan_result(request: HttpRequest, pk: int) -> HttpResponse:
    """Show what a re-plan moves, and for whom, before it is published."""
    asked = _replan_of(request, pk)
    context = {
        "asked": asked,
        "row": asked.proposal,
        "effect": queries.effect_row(asked.effect),
        "page_url": reverse("replan_result", args=[pk]),
        "progress_url": reverse("replan_progress", args=[pk]),
    }
    return render(request, "routes/replan_result.html", context)


@requires(Permission.SEE_WORK)
@require_GET
def replan_progress(request: HttpRequest, pk: int) -> HttpResponse:
    """Return how far a re-plan has come; when it is over, have its page loaded anew."""
    return progress_part(request, _replan_of(request, pk).proposal, reverse("replan_result", args=[pk]))


@requires(Permission.PLAN_ROUTES)
@require_POST
def undo_replan(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a re-plan and its absence back."""
    asked = _replan_of(request, pk)
    now, _ = now_and_today(request)
    tell(
        request,
        lambda: replanning.undo(asked, by=request.user, now=now),
        lambda _: gettext("Undone. The absence is gone and the routes are as they were."),
    )
    return redirect("replan_result", pk=pk)


def _begin(request: HttpRequest, form: ReplanForm, now) -> Replan | None:
    def begin() -> Replan:
        urgent = replanning.orders_named(data["urgent"], data["branch"].pk)
        return replanning.begin(**data | {"urgent": urgent}, by=request.user, now=now)

    data = form.cleaned_data
    made = tried(form, begin)
    if made is not None:
        tasks.replan_routes.enqueue(replan_id=made.pk)
    return made


def _replan_of(request: HttpRequest, pk: int) -> Replan:
    row = queries.replan_of(pk, branch_of(request))
    if row is None:
        raise Http404(gettext("There is no such re-plan in your branch."))
    return row
