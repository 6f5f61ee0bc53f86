"""What visits teach counts in plans only once a planner accepts it, and can be taken back."""

from datetime import datetime

from fleet.models import Branch, Person
from scheduling.models import AcceptedPace
from scheduling.planning.pace import Pace
from scheduling.queries.paces import in_use_of, suggestions, title_of
from shared.errors import CannotDo


def accept(
    branch: Branch, what: str, *, factor_seen: float, by: Person | None, now: datetime, site_visit_min: float
) -> AcceptedPace:
    """Let plans reckon with what visits teach.

    Raises CannotDo when there is nothing to learn, or when it is no longer what the person saw.
    """
    known = {one.what: one.found for one in suggestions(branch, now=now, site_visit_min=site_visit_min)}
    found = known.get(what)
    if not isinstance(found, Pace):
        raise CannotDo(
            f"{title_of(what)}: there is nothing to accept.", remedy="Wait for more finished visits."
        )
    if abs(found.factor - factor_seen) > 0.005:
        raise CannotDo(
            f"{title_of(what)}: by now it is × {found.factor:.2f}.", remedy="Look again, then accept it."
        )
    return AcceptedPace.objects.create(
        branch=branch, what=what, factor=found.factor, visits=found.visits, error_before=found.error_before,
        error_after=found.error_after, accepted_at=now, accepted_by=by,
    )  # fmt: skip


def give_back(branch: Branch, what: str, *, by: Person | None, now: datetime) -> AcceptedPace:
    """Let plans reckon without a factor again. Raises CannotDo where none is in use."""
    if what not in in_use_of(branch):
        raise CannotDo(f"{title_of(what)}: no factor is in use.", remedy="There is nothing to take back.")
    return AcceptedPace.objects.create(
        branch=branch, what=what, factor=1, visits=0, accepted_at=now, accepted_by=by
    )
