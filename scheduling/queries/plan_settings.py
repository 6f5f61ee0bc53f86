"""What the page of driving times shows: hand-set drives, and what finished visits teach."""

from dataclasses import dataclass
from datetime import datetime

from fleet.models import Branch
from scheduling.models import TravelCorrection
from scheduling.planning.pace import NEEDED
from scheduling.queries.paces import Suggestion, suggestions


@dataclass(frozen=True)
class BranchPaces:
    """One branch: what can be accepted or is in use, and what has too few visits yet."""

    branch: Branch
    rows: list[Suggestion]
    waiting: list[Suggestion]
    needed: int = NEEDED


def correction_rows(branch_id: int | None) -> list[TravelCorrection]:
    """Return the drives set by hand. One query."""
    rows = TravelCorrection.objects.select_related("site_a", "site_b", "set_by")
    return list(rows.filter(site_a__branch_id=branch_id) if branch_id else rows)


def pace_rows(branch_id: int | None, now: datetime, site_visit_min: float) -> list[BranchPaces]:
    """Return what visits teach, branch by branch. Two queries a branch."""
    branches = Branch.objects.order_by("name")
    found = []
    for branch in branches.filter(pk=branch_id) if branch_id else branches:
        all_rows = suggestions(branch, now=now, site_visit_min=site_visit_min)
        rows = [one for one in all_rows if one.is_learned or one.in_use]
        waiting = [one for one in all_rows if not one.is_learned and not one.in_use]
        found.append(BranchPaces(branch, rows, waiting))
    return found
