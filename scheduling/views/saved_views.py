"""Saved views of the lists: keep, remove, put back."""

from dataclasses import dataclass

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.http import require_POST

from scheduling.models import SavedView, ViewOf
from scheduling.services import saved_views as service
from scheduling.views.edge import now_and_today
from shared.access import requires
from shared.errors import CannotDo
from shared.roles import Permission
from shared.told import told


@dataclass(frozen=True)
class ViewLinks:
    """What a list page shows of its saved views."""

    view_of: str
    views: list[SavedView]
    here: int | None
    query: str
    removed: SavedView | None


def view_links(request: HttpRequest, view_of: ViewOf) -> ViewLinks:
    """Return the views of a list, the one being looked at, and the one just removed."""
    asked = request.GET.copy()
    removed = asked.pop("removed", [""])[-1]
    asked.pop("page", None)
    query = asked.urlencode()
    views = list(service.views_of(request.user, view_of))
    here = next((view.pk for view in views if view.query == query and query), None)
    gone = None
    if removed.isascii() and removed.isdigit():
        gone = SavedView.objects.filter(
            pk=int(removed[:15]), owner=request.user, removed_at__isnull=False
        ).first()
    return ViewLinks(view_of.value, views, here, query, gone)


@requires(Permission.SEE_FLEET)
@require_POST
def save_view(request: HttpRequest) -> HttpResponse:
    """Keep the filter that is on the page."""
    now, _ = now_and_today(request)
    try:
        view = service.save_view(
            owner=request.user,
            view_of=request.POST.get("view_of", ""),
            name=request.POST.get("name", ""),
            query=request.POST.get("query", ""),
            is_shared=bool(request.POST.get("is_shared")),
            now=now,
        )
    except CannotDo as error:
        messages.error(request, told(str(error)))
        asked = request.POST.get("view_of", "")
        return redirect(reverse(asked if asked in ViewOf.values else "home"))
    messages.success(request, gettext("The view %(name)s is kept.") % {"name": view.name})
    return redirect(f"{reverse(view.view_of)}?{view.query}")


@requires(Permission.SEE_FLEET)
@require_POST
def remove_view(request: HttpRequest, pk: int) -> HttpResponse:
    """Remove one's own view; the list offers to put it back."""
    view = _own_view(request, pk)
    now, _ = now_and_today(request)
    service.remove_view(view, by=request.user, now=now)
    return redirect(f"{reverse(view.view_of)}?{view.query}&removed={view.pk}")


@requires(Permission.SEE_FLEET)
@require_POST
def put_back_view(request: HttpRequest, pk: int) -> HttpResponse:
    """Undo a removal."""
    view = _own_view(request, pk)
    try:
        service.put_back_view(view, by=request.user)
    except CannotDo as error:
        messages.error(request, told(str(error)))
    return redirect(f"{reverse(view.view_of)}?{view.query}")


def _own_view(request: HttpRequest, pk: int) -> SavedView:
    view = get_object_or_404(SavedView, pk=pk)
    if view.owner_id != request.user.pk:
        raise Http404(gettext("This is not a view of yours."))
    return view
