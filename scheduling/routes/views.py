"""Planning: ask for a plan, watch it, look at it, publish it or take it back.

One technician's route, on the screen and on paper.
"""

from collections.abc import Callable
from typing import TypeVar

from django.conf import settings
from django.contrib import messages
from django.forms import Form
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import gettext
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from scheduling.models import ProposalState, Route, RouteProposal
from scheduling.pages.request_context import branch_of, is_metric, now_and_today
from scheduling.routes import board as queries
from scheduling.routes import maps, publishing, selectors, tables, tasks
from scheduling.routes import proposals as service
from scheduling.routes.forms import PlanForm
from scheduling.routes.selectors import routes_in_force
from shared.access import requires
from shared.errors import DomainError
from shared.heavy_posts import rate_limited
from shared.periods import days_from
from shared.roles import Permission, may
from shared.tables import render_or_export
from shared.translation import translate

DAYS_AHEAD = 7
T = TypeVar("T")


@requires(Permission.SEE_WORK)
@require_http_methods(["GET", "POST"])
@rate_limited
def proposals(request: HttpRequest) -> HttpResponse:
    """List plans and take a wish for a new one."""
    now, today = now_and_today(request)
    form = PlanForm(request.POST or None, branch_id=branch_of(request), today=today)
    if request.method == "POST":
        if not may(request.user.role, Permission.PLAN_ROUTES):
            return HttpResponse(gettext("Your role may not plan routes."), status=403)
        if form.is_valid() and (proposal := _start(request, form, now)):
            return redirect("proposal", pk=proposal.pk)
    days = days_from(today, DAYS_AHEAD)
    return render_or_export(
        request,
        "routes/proposals.html",
        {
            "form": form,
            "in_force": routes_in_force(days[0], days[-1], branch_of(request)),
        },
        status=422 if form.errors else 200,
        plans=tables.PLANS.of(queries.proposal_rows(branch_of(request))),
    )


@requires(Permission.SEE_WORK)
@require_GET
def proposal(request: HttpRequest, pk: int) -> HttpResponse:
    """Show one plan as people × days, with everything it left out."""
    board = _board(request, pk)
    return render_or_export(
        request,
        "routes/proposal.html",
        {
            "board": board,
            "row": board.row,
            "map": maps.route_map(board.routes, is_metric=is_metric(request), tiles_at=settings.MAP_TILE_URL),
            "tile_credit": settings.MAP_TILE_CREDIT,
            "geojson_url": reverse("proposal_geojson", args=[pk]),
            "page_url": reverse("proposal", args=[pk]),
            "progress_url": reverse("proposal_progress", args=[pk]),
        },
        stops=tables.PLAN_STOPS.of(board.stops),
        left_out=tables.LEFT_OUT.of(board.unplaced),
    )


@requires(Permission.SEE_WORK)
@require_GET
def proposal_progress(request: HttpRequest, pk: int) -> HttpResponse:
    """Return how far planning has come; when it is over, have the page loaded anew."""
    row = get_object_or_404(_in_branch(request), pk=pk)
    return progress_part(request, row, reverse("proposal", args=[pk]))


def progress_part(request: HttpRequest, row: RouteProposal, page_url: str) -> HttpResponse:
    """Return how far a proposal is, for its own page or a re-plan's; once it is over, send the page there."""
    if row.state != ProposalState.RUNNING:
        return HttpResponse(status=200, headers={"HX-Redirect": page_url})
    context = {"row": row, "page_url": page_url, "progress_url": request.path}
    return render(request, "parts/progress.html", context)


@requires(Permission.SEE_WORK)
@require_GET
def proposal_geojson(request: HttpRequest, pk: int) -> JsonResponse:
    """Return a plan's routes for other maps."""
    board = _board(request, pk)
    return JsonResponse(maps.geojson(board.routes), content_type="application/geo+json")


@requires(Permission.PLAN_ROUTES)
@require_POST
def stop_proposal(request: HttpRequest, pk: int) -> HttpResponse:
    """Ask a running plan to stop with the best it has."""
    service.cancel(get_object_or_404(_in_branch(request), pk=pk))
    page_url = request.POST.get("next", "")
    is_ours = url_has_allowed_host_and_scheme(page_url, None)
    return redirect(page_url if is_ours else reverse("proposal", args=[pk]))


@requires(Permission.PLAN_ROUTES)
@require_POST
def publish_proposal(request: HttpRequest, pk: int) -> HttpResponse:
    """Put a plan in force."""
    now, _ = now_and_today(request)
    return _do(
        request, pk, lambda row: publishing.publish(row, by=request.user, now=now),
        gettext("Published. The technicians see it now."),
    )  # fmt: skip


@requires(Permission.PLAN_ROUTES)
@require_POST
def take_back_proposal(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a published plan back."""
    now, _ = now_and_today(request)
    return _do(
        request, pk, lambda row: publishing.unpublish(row, by=request.user, now=now),
        gettext("Unpublished. Its orders are open again and its days are empty."),
    )  # fmt: skip


@requires(Permission.PLAN_ROUTES)
@require_POST
def set_proposal_aside(request: HttpRequest, pk: int) -> HttpResponse:
    """Put a plan away that will not be used."""
    return _do(request, pk, service.set_aside, gettext("Discarded."))


def _start(request: HttpRequest, form: PlanForm, now) -> RouteProposal | None:
    row = tried(form, lambda: service.start(**form.cleaned_data, by=request.user, now=now))
    if row is not None:
        tasks.propose_routes.enqueue(proposal_id=row.pk)
    return row


def _do(request: HttpRequest, pk: int, command: Callable[[RouteProposal], object], done: str) -> HttpResponse:
    tell(request, lambda: command(get_object_or_404(_in_branch(request), pk=pk)), lambda _: done)
    return redirect("proposal", pk=pk)


def tell(request: HttpRequest, command: Callable[[], T], done: Callable[[T], str]) -> None:
    """Do what is asked and say so on the next page, or why not."""
    try:
        answer = command()
    except DomainError as error:
        messages.error(request, translate(error))
    else:
        messages.success(request, done(answer))


def tried(form: Form, command: Callable[[], T]) -> T | None:
    """Do what a form asks; None with the reason at its field where that can't be."""
    try:
        return command()
    except DomainError as error:
        form.add_error(error.field if error.field in form.fields else None, translate(error))
        return None


def _in_branch(request: HttpRequest):
    return queries.proposals_of(branch_of(request))


def _board(request: HttpRequest, pk: int) -> queries.Board:
    board = queries.board(pk, branch_of(request))
    if board is None:
        raise Http404(gettext("There is no such plan in your branch."))
    return board


@requires(Permission.SEE_WORK)
@require_GET
def route(request: HttpRequest, pk: int) -> HttpResponse:
    """Show a route: what to load, where to go, what to do there."""
    row = _route(request, pk)
    metric = is_metric(request)
    return render_or_export(
        request,
        "routes/route.html",
        {
            "route": row,
            "is_metric": metric,
            "map": maps.route_map([row], is_metric=metric, tiles_at=settings.MAP_TILE_URL),
            "tile_credit": settings.MAP_TILE_CREDIT,
            "geojson_url": reverse("route_geojson", args=[pk]),
        },
        load=tables.VAN_LOAD.of(selectors.load_list(row)),
    )


@requires(Permission.SEE_WORK)
@require_GET
def route_geojson(request: HttpRequest, pk: int) -> JsonResponse:
    """Return a route for other maps."""
    return JsonResponse(maps.geojson([_route(request, pk)]), content_type="application/geo+json")


def _route(request: HttpRequest, pk: int) -> Route:
    rows = selectors.of_branch(Route.objects.filter(pk=pk), branch_of(request))
    if not rows:
        raise Http404(gettext("There is no such route in your branch."))
    return rows[0]
