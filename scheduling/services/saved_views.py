"""Keeping, removing and putting back saved views."""

from datetime import datetime
from typing import Final
from urllib.parse import parse_qsl, urlencode

from django.db import IntegrityError, transaction
from django.db.models import Q, QuerySet

from fleet.models import Person
from scheduling.models import SavedView, ViewOf
from shared.errors import CannotDo

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


def save_view(
    *, owner: Person, view_of: str, name: str, query: str, is_shared: bool, now: datetime
) -> SavedView:
    """Keep a filter under a name; a name that is taken by the same person keeps the new filter.

    Raises CannotDo without a name, with a list that has no views, a filter that is too long, or too many.
    """
    name = " ".join(name.split())
    if not name or len(name) > 60:
        raise CannotDo(
            "A view needs a name of at most 60 letters.", remedy="Give it a short name.", field="name"
        )
    if view_of not in ViewOf.values:
        raise CannotDo("This list keeps no views.", remedy="Save views on the fleet or the work orders.")
    kept = urlencode([(key, value) for key, value in parse_qsl(query) if key not in _NOT_KEPT])
    if len(kept) > 600:
        raise CannotDo("The filter is too long to keep.", remedy="Search for fewer words.", field="query")
    with transaction.atomic():
        standing = SavedView.objects.filter(owner=owner, view_of=view_of, removed_at=None)
        if changed := standing.filter(name=name).update(query=kept, is_shared=is_shared):
            assert changed == 1
            return standing.get(name=name)
        if standing.count() >= MOST_VIEWS:
            raise CannotDo(f"There are {MOST_VIEWS} views already.", remedy="Remove one first.")
        try:
            with transaction.atomic():
                return standing.create(
                    owner=owner, view_of=view_of, name=name, query=kept, is_shared=is_shared, made_at=now
                )
        except IntegrityError:
            return standing.get(name=name)


def remove_view(view: SavedView, *, by: Person, now: datetime) -> None:
    """Take a view off the list. Raises CannotDo when it is another person's."""
    _check_owner(view, by)
    SavedView.objects.filter(pk=view.pk, removed_at=None).update(removed_at=now)


def put_back_view(view: SavedView, *, by: Person) -> None:
    """Undo a removal. Raises CannotDo when the name was used again meanwhile."""
    _check_owner(view, by)
    try:
        with transaction.atomic():
            SavedView.objects.filter(pk=view.pk).update(removed_at=None)
    except IntegrityError as error:
        raise CannotDo(
            f"There is another view named {view.name} now.", remedy="Remove that one first."
        ) from error


def _check_owner(view: SavedView, by: Person) -> None:
    if view.owner_id != by.pk:
        raise CannotDo(f"{view.name} is {view.owner}’s view.", remedy=f"Ask {view.owner} to remove it.")
