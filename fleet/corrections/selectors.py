"""What was corrected on a row, and which row is valid now."""

from collections.abc import Mapping

from django.db.models import Q

from fleet.models import (
    Correction,
)


def standing_id(of: str, pk: int | None) -> int | None:
    """Return the row that stands for one that may have been corrected since."""
    if pk is None:
        return None
    mine = Correction.objects.filter(of=of).filter(Q(now_id=pk) | Q(first_id=pk)).order_by("-pk").first()
    if mine is None:
        return pk
    return Correction.objects.filter(of=of, first_id=mine.first_id).order_by("-pk").first().now_id


def attach_corrections(rows: Mapping[str, list]) -> None:
    """Give each row ``corrected``: what was corrected on it, oldest first. Two queries for all lists.

    ``rows`` by what they are (``Corrected``).
    """
    ids = {of: [row.pk for row in listed] for of, listed in rows.items()}
    mine = Q(pk__in=[])
    for of, listed in ids.items():
        mine |= Q(of=of, now_id__in=listed)
    firsts: dict[tuple[str, int], int] = {}
    for of, now_id, first_id in Correction.objects.filter(mine).values_list("of", "now_id", "first_id"):
        firsts[of, now_id] = first_id
    all_of = Q(pk__in=[])
    for (of, _), first_id in firsts.items():
        all_of |= Q(of=of, first_id=first_id)
    found: dict[tuple[str, int], list[Correction]] = {}
    for one in Correction.objects.filter(all_of).select_related("by") if firsts else ():
        found.setdefault((one.of, one.first_id), []).append(one)
    for of, listed in rows.items():
        for row in listed:
            row.corrected = found.get((of, firsts.get((of, row.pk), -1)), [])
