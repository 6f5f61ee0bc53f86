"""Reviews of a large company are kept a quarter of an hour, and say of when they are.

Their sums go through every part and every site. That takes a small company no time and one of a hundred
thousand treatment units several seconds; nobody decides differently for what happened in the last minutes.
"""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Final, Generic, Protocol, TypeVar

from django.core.cache import cache
from django.http import HttpRequest

from scheduling.views.edge import branch_of, now_and_today

LARGE: Final = 10_000
"""Rows gone through from which a review is kept. Ours."""
KEPT_S: Final = 15 * 60


class Sized(Protocol):
    """A review that says how many parts or plans it went through."""

    @property
    def gone_through(self) -> int:
        """How many."""
        ...


Review = TypeVar("Review", bound=Sized)


@dataclass(frozen=True)
class Kept(Generic[Review]):
    """A review, and since when it is kept; None where it was reckoned just now."""

    review: Review
    as_of: datetime | None


def kept_review(request: HttpRequest, name: str, reckon: Callable[[], Review]) -> Kept[Review]:
    """Return a review of this person's branch, kept or reckoned now; ``?anew`` reckons in any case.

    ``name`` says which, with all it depends on beside branch and day.
    """
    now, today = now_and_today(request)
    key = f"review:{name}:{branch_of(request)}:{today:%Y-%m-%d}"
    found = None if "anew" in request.GET else cache.get(key)
    if found is not None:
        return Kept(*found)
    review = reckon()
    if review.gone_through >= LARGE:
        cache.set(key, (review, now), KEPT_S)
    return Kept(review, None)
