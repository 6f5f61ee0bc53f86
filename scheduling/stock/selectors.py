"""How many parts to hold: what standing orders ask for, and what is likely to fall due before more can come.

Where parts lie, what moved, what vans need for their routes, what to order.

Pure numbers. Each part due soon is a coin with its own chance; their sum is spread as a Poisson binomial
distribution (Wang, Y. H., Statistica Sinica 3, 1993, names it and its sum form), worked out exactly.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from math import erf, sqrt
from typing import Any, Final

import numpy as np
from django.db.models import Count, Exists, OuterRef, Q, QuerySet, Sum

from fleet.assessment.membrane_care import expected_dates
from fleet.models import Branch, PartKind, PartState
from scheduling.models import (
    STANDING_STATES,
    StockLevel,
    StockMovement,
    StockPlace,
    StopOrder,
    WorkOrder,
    WorkOrderPart,
)
from scheduling.orders.kinds import PART_CHANGES

TENTH: Final = 1.2815515655446004
"""Standard normal quantile of 90 %: early and late lie so many spreads from likely."""
SURE: Final = 0.95
"""Chance that what is held is enough until more comes. Our choice."""


@dataclass(frozen=True)
class Need:
    """Parts of one kind: asked for now, expected beside that, and how many to hold."""

    standing: int
    expected: float
    hold: int


def chance_due_by(day: date, early: date, likely: date, late: date) -> float:
    """Return the chance that a part is used up by a day, from its 10, 50 and 90 % dates. [fraction]

    Between and beyond the dates a normal distribution with its own spread on either side, as the dates are
    given. Dates that coincide make a step.
    """
    side = (likely - early).days if day < likely else (late - likely).days
    away = (day - likely).days
    if side <= 0:
        return 0.0 if away < 0 else 1.0
    return 0.5 * (1 + erf(away / side * TENTH / sqrt(2)))


def need(standing: int, chances: Iterable[float], *, sure: float = SURE) -> Need:
    """Return how many parts to hold for standing orders and for parts that may fall due.

    Parameters
    ----------
    standing : parts that orders ask for.
    chances : of each part that may fall due, 0 to 1. [fraction]
    sure : chance that ``hold`` is enough, above 0 and below 1. [fraction]

    Raises
    ------
    ValueError
        For a chance outside 0 to 1, or ``sure`` outside.
    """
    each = np.fromiter(chances, dtype=float)
    if each.size and not ((each >= 0) & (each <= 1)).all():
        raise ValueError("A chance lies between 0 and 1.")
    if not 0 < sure < 1:
        raise ValueError("sure lies between 0 and 1.")
    spread = np.ones(1)
    for chance in each:
        spread = np.convolve(spread, (1 - chance, chance))
    enough = int(np.searchsorted(np.cumsum(spread), sure - 1e-12))
    return Need(standing, float(each.sum()), standing + min(enough, each.size))


MOVEMENTS_SHOWN: Final = 60
BEYOND_DAYS: Final = 90
"""Parts whose early date lies further than this beyond the horizon hardly bear on it."""


@dataclass(frozen=True)
class NeedRow:
    """One kind in one branch: what lies there, what is asked for, how many to hold and to order."""

    branch: str
    kind_code: str
    kind: str
    on_hand: int
    standing: int
    expected: float
    hold: int

    @property
    def to_order(self) -> int:
        """How many are short of what should be held."""
        return max(0, self.hold - self.on_hand)


def places(branch_id: int | None) -> list[StockPlace]:
    """Return shelves and vans with how many ``kinds`` and ``pieces`` lie there, shelves first. One query."""
    held = Q(levels__quantity__gt=0)
    places = _places(branch_id).select_related("branch").annotate(
        kinds=Count("levels__kind", filter=held, distinct=True),
        pieces=Sum("levels__quantity", filter=held, default=0),
    )  # fmt: skip
    return sorted(places, key=lambda place: (place.branch.name, place.technician_id is not None, place.name))


def place_by_code(code: str, branch_id: int | None) -> StockPlace | None:
    """Return a place of the branch, or None."""
    return _places(branch_id).select_related("technician", "branch").filter(code=code).first()


def other_places(place: StockPlace, branch_id: int | None) -> QuerySet[StockPlace]:
    """Return where parts may be carried from a place."""
    return _places(branch_id).exclude(pk=place.pk)


def levels(place: StockPlace) -> QuerySet[StockLevel]:
    """Return what lies at a place."""
    return place.levels.filter(quantity__gt=0).select_related("kind").order_by("kind__name", "lot")


def movements(place: StockPlace) -> QuerySet[StockMovement]:
    """Return the newest movements of a place."""
    return place.movements.select_related("kind", "by", "close_out")[:MOVEMENTS_SHOWN]


def van_loads(first_on: date, days: int, branch_id: int | None) -> list[dict[str, Any]]:
    """Return what published routes need beyond what lies on their vans, day by day. Three queries.

    What an earlier day takes is gone on the next; ``missing`` is what the van lacks after that.
    """
    placed = StopOrder.objects.filter(
        is_in_force=True,
        order__state__in=STANDING_STATES,
        stop__route__day__range=(first_on, first_on + timedelta(days=days - 1)),
    )
    if branch_id:
        placed = placed.filter(stop__route__technician__branch_id=branch_id)
    wanted = (
        placed.filter(order__needed_parts__isnull=False)
        .values_list(
            "stop__route__day", "stop__route_id", "stop__route__technician_id",
            "stop__route__technician__name", "order__needed_parts__kind_id",
            "order__needed_parts__kind__name",
        )
        .annotate(total=Sum("order__needed_parts__quantity"))
        .order_by("stop__route__day", "stop__route__technician__name", "order__needed_parts__kind__name")
    )  # fmt: skip
    left = _held_by_technician()
    rows = []
    for day, route_pk, technician_pk, technician, kind_pk, kind, total in wanted:
        key = (technician_pk, kind_pk)
        there = left[key]
        left[key] = max(0, there - total)
        rows.append(
            {"day": day, "route_pk": route_pk, "technician": technician, "kind": kind, "needed": total,
             "on_van": there, "missing": max(0, total - there)}
        )  # fmt: skip
    return rows


def needs(today: date, weeks: int, branch_id: int | None) -> list[NeedRow]:
    """Return what to hold of each kind until ``weeks`` from now, the shortest first. Six queries."""
    on_hand = _sums(
        _of_branch(StockLevel.objects.filter(quantity__gt=0), "place__branch", branch_id), "place"
    )
    standing = _sums(
        _of_branch(
            WorkOrderPart.objects.filter(order__state__in=STANDING_STATES), "order__site__branch", branch_id
        ),
        "order__site",
    )
    chances = _chances(today + timedelta(weeks=weeks), branch_id)
    kinds = {kind.pk: kind for kind in PartKind.objects.all()}
    branches = dict(Branch.objects.values_list("pk", "name"))
    rows = []
    for key in sorted({*standing, *chances}):
        kind = kinds[key[1]]
        wanted = need(standing.get(key, 0), chances.get(key, ()))
        rows.append(
            NeedRow(
                branch=branches[key[0]],
                kind_code=kind.code,
                kind=kind.name,
                on_hand=on_hand.get(key, 0),
                standing=wanted.standing,
                expected=wanted.expected,
                hold=wanted.hold,
            )
        )
    return sorted(rows, key=lambda row: (-row.to_order, row.branch, row.kind))


def _places(branch_id: int | None) -> QuerySet[StockPlace]:
    found = StockPlace.objects.all()
    return found.filter(branch_id=branch_id) if branch_id else found


def _of_branch(rows: QuerySet, path: str, branch_id: int | None) -> QuerySet:
    return rows.filter(**{f"{path}_id": branch_id}) if branch_id else rows


def _sums(rows: QuerySet, path: str) -> dict[tuple[int, int], int]:
    summed = rows.values_list(f"{path}__branch_id", "kind_id").annotate(total=Sum("quantity")).order_by()
    return {(branch, kind_pk): total for branch, kind_pk, total in summed}


def _held_by_technician() -> dict[tuple[int, int], int]:
    held: dict[tuple[int, int], int] = defaultdict(int)
    rows = StockLevel.objects.filter(place__technician__isnull=False, quantity__gt=0)
    for technician_pk, kind_pk, total in (
        rows.values_list("place__technician_id", "kind_id").annotate(total=Sum("quantity")).order_by()
    ):
        held[(technician_pk, kind_pk)] = total
    return held


def _chances(until: date, branch_id: int | None) -> dict[tuple[int, int], list[float]]:
    """Return the chances of parts in place to fall due by a day, those left out that have an order.

    A membrane that measures well has no date for an order, and is expected to end as membranes do.
    """
    ordered = WorkOrder.objects.open().filter(kind__in=PART_CHANGES, part=OuterRef("pk"))
    states = PartState.objects.filter(
        Q(
            likely_on__isnull=False,
            early_on__lte=until + timedelta(days=BEYOND_DAYS),
            late_on__isnull=False,
        )
        | Q(
            likely_on__isnull=True,
            numbers__expected__early_on__lte=(until + timedelta(days=BEYOND_DAYS)).isoformat(),
        ),
        part__removed_at__isnull=True,
        treatment_unit__is_out_of_service=False,
        treatment_unit__site__is_closed=False,
    ).exclude(Exists(ordered))
    states = _of_branch(states, "treatment_unit__site__branch", branch_id)
    found: dict[tuple[int, int], list[float]] = defaultdict(list)
    for branch, kind_pk, early, likely, late, expected in states.values_list(
        "treatment_unit__site__branch_id", "part__kind_id", "early_on", "likely_on", "late_on",
        "numbers__expected",
    ):  # fmt: skip
        if expected and not likely:
            early, likely, late = expected_dates(expected)
        chance = chance_due_by(until, early, likely, late) if likely and late else 0.0
        if chance > 0.001:
            found[(branch, kind_pk)].append(chance)
    return found
