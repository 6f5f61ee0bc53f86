"""Keeping, removing and putting back saved views.

Saved views of the lists: keep, remove, put back.
"""

from dataclasses import dataclass
from datetime import datetime
from typing import Final
from urllib.parse import parse_qsl, urlencode

from django.contrib import messages
from django.db import IntegrityError, transaction
from django.db.models import Q, QuerySet
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils.translation import gettext
from django.views.decorators.http import require_POST

from fleet.models import Person
from scheduling.models import SavedView, ViewOf
from scheduling.pages.request_context import now_and_today
from shared.access import requires
from shared.errors import DomainError
from shared.messages import message
from shared.roles import Permission
from shared.translation import translate

MOST_VIEWS: Final = 40
"""Of one list for one person; more would be a list to search."""
_NOT_KEPT: Final = {"page", "removed"}


def views_of(person: Person, view_of: str) -> QuerySet[SavedView]:
    """Return the person's own views of a list and those others share within the person's branch."""
    shared = Q(is_shared=True)
    if person.branch_id:
        shared &= Q(owner__branch=person.branch_id) | Q(owner__branch=None)
    return (
        SavedView.objects.filter(Q(owner=person) | shared, view_of=view_of, removed_at=None)
        .select_related("owner")
        .order_by("name", "pk")
    )


def store_saved_view(
    *, owner: Person, view_of: str, name: str, query: str, is_shared: bool, now: datetime
) -> SavedView:
    """Keep a filter under a name; a name that is taken by the same person keeps the new filter.

    Raises DomainError without a name, with a list that has no views, a filter that is too long, or too many.
    """
    name = " ".join(name.split())
    if not name or len(name) > 60:
        raise DomainError(
            message("A view needs a name of at most 60 letters."),
            remedy=message("Give it a short name."),
            field="name",
        )
    if view_of not in ViewOf.values:
        raise DomainError(
            message("This list keeps no views."),
            remedy=message("Save views on the fleet or the work orders."),
        )
    kept = urlencode([(key, value) for key, value in parse_qsl(query) if key not in _NOT_KEPT])
    if len(kept) > 600:
        raise DomainError(
            message("The filter is too long to keep."),
            remedy=message("Search for fewer words."),
            field="query",
        )
    with transaction.atomic():
        standing = SavedView.objects.filter(owner=owner, view_of=view_of, removed_at=None)
        if changed := standing.filter(name=name).update(query=kept, is_shared=is_shared):
            assert changed == 1
            return standing.get(name=name)
        if standing.count() >= MOST_VIEWS:
            raise DomainError(
                message("There are {most_views} views already.", most_views=MOST_VIEWS),
                remedy=message("Remove one first."),
            )
        try:
            with transaction.atomic():
                return standing.create(
                    owner=owner, view_of=view_of, name=name, query=kept, is_shared=is_shared, made_at=now
                )
        except IntegrityError:
            return standing.get(name=name)


def delete_saved_view(view: SavedView, *, by: Person, now: datetime) -> None:
    """Take a view off the list. Raises DomainError when it is another person's."""
    _check_owner(view, by)
    SavedView.objects.filter(pk=view.pk, removed_at=None).update(removed_at=now)


def restore_saved_view(view: SavedView, *, by: Person) -> None:
    """Undo a removal. Raises DomainError when the name was used again meanwhile."""
    _check_owner(view, by)
    try:
        with transaction.atomic():
            SavedView.objects.filter(pk=view.pk).update(removed_at=None)
    except IntegrityError as error:
        raise DomainError(
            message("There is another view named {name} now.", name=view.name),
            remedy=message("Remove that one first."),
        ) from error


def _check_owner(view: SavedView, by: Person) -> None:
    if view.owner_id != by.pk:
        raise DomainError(
            message("{name} is {owner}’s view.", name=view.name, owner=view.owner),
            remedy=message("Ask {owner} to remove it.", owner=view.owner),
        )


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
    views = list(views_of(request.user, view_of))
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
        view = store_saved_view(
            owner=request.user,
            view_of=request.POST.get("view_of", ""),
            name=request.POST.get("name", ""),
            query=request.POST.get("query", ""),
            is_shared=bool(request.POST.get("is_shared")),
            now=now,
        )
    except DomainError as error:
        messages.error(request, translate(error))
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
    delete_saved_view(view, by=request.user, now=now)
    return redirect(f"{reverse(view.view_of)}?{view.query}&removed={view.pk}")


@requires(Permission.SEE_FLEET)
@require_POST
def put_back_view(request: HttpRequest, pk: int) -> HttpResponse:
    """Undo a removal."""
    view = _own_view(request, pk)
    try:
        restore_saved_view(view, by=request.user)
    except DomainError as error:
        messages.error(request, translate(error))
    return redirect(f"{reverse(view.view_of)}?{view.query}")


def _own_view(request: HttpRequest, pk: int) -> SavedView:
    view = get_object_or_404(SavedView, pk=pk)
    if view.owner_id != request.user.pk:
        raise Http404(gettext("This is not a view of yours."))
    return view
