"""Learns the life of every kind of part from the fleet's own removals and writes it to the catalogue."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from django.db import transaction

from fleet.assessment.part_histories import SeenByParts, joined, read_histories
from fleet.database.columns import UnitRange
from fleet.models import PartKind, TreatmentUnit
from fleet.science.learning import LearnedLife, NotEnoughData, PartHistories, learn_life, relative_conditions
from fleet.science.settings import DAYS_PER_MONTH
from shared.messages import message

UNITS_AT_ONCE: Final = 20_000
"""Treatment units read at once; well under a gigabyte."""


NOT_BY_VOLUME: Final = message(
    "Rated by months or pressure drop, not by volume: no life in gallons is learned."
)


@dataclass(frozen=True)
class LearnedKind:
    """What was learned of one kind of part, or why nothing was."""

    code: str
    name: str
    parts: int
    failures: int
    rated_gal: float | None
    learned_gal: float | None
    """Water by which half are used up at the conditions of the rating."""
    shape: float | None
    rating_share: float | None
    """How much of the say the rating still has, 0 to 1."""
    covariates_used: tuple[str, ...]
    why_not: str
    is_changed: bool
    """The catalogue says something else now."""


def learn_lives(until_d: float, units_at_once: int = UNITS_AT_ONCE) -> list[LearnedKind]:
    """Learn and write ``learned_life_gal`` and ``learned_life_shape`` of every kind.

    Parameters
    ----------
    until_d : float
        The moment of learning; nothing later counts. [days since 1970-01-01 UTC]
    units_at_once : int
        Treatment units read at once; does not change what is learned.

    Returns
    -------
    list of LearnedKind
        One per line of the catalogue, by code. A kind with too few failures loses what was learned before.
    """
    seen = _read_all(until_d, units_at_once)
    answers = []
    with transaction.atomic():
        for kind in PartKind.objects.order_by("code"):
            found = _learn_one(kind, seen)
            answers.append(_write(kind, found))
    return answers


def _read_all(until_d: float, units_at_once: int) -> SeenByParts:
    ids = list(TreatmentUnit.objects.order_by("id").values_list("id", flat=True))
    pieces = [
        read_histories(UnitRange(ids[i], ids[min(i + units_at_once, len(ids)) - 1]), until_d)
        for i in range(0, len(ids), units_at_once)
    ]
    return joined(pieces or [read_histories(UnitRange(), until_d)])


def _learn_one(kind: PartKind, seen: SeenByParts) -> LearnedLife | NotEnoughData:
    rows = np.flatnonzero((seen.kind_id == kind.pk) & np.isfinite(seen.exit_gal))
    if not kind.rated_gal:
        # A life in gallons would make a limit of something the maker does not count in gallons.
        ended = int(seen.ended[rows].sum())
        return NotEnoughData(NOT_BY_VOLUME, len(rows), ended, ended)
    chlorine = seen.free_chlorine_mg_l[rows]
    if kind.chloramine_factor:
        chlorine = chlorine + kind.chloramine_factor * np.nan_to_num(seen.chloramine_mg_l[rows])
    conditions = np.column_stack([chlorine, seen.hardness_mg_l[rows], seen.gal_per_day[rows]])
    histories = PartHistories(
        entry_age=seen.entry_gal[rows],
        exit_age=seen.exit_gal[rows],
        ended=seen.ended[rows],
        covariates=relative_conditions(conditions, _at_rating(kind)),
    )
    return learn_life(histories, kind.rated_gal if kind.rated_gal else np.nan)


def _at_rating(kind: PartKind) -> np.ndarray:
    """Return chlorine, hardness and use that the rating assumes; NaN where it says nothing."""
    per_day = np.nan
    if kind.rated_gal and kind.rated_months:
        per_day = kind.rated_gal / (kind.rated_months * DAYS_PER_MONTH)
    given = (kind.rating_chlorine_mg_l, kind.rated_hardness_mg_l)
    return np.array([*(np.nan if value is None else value for value in given), per_day])


def _write(kind: PartKind, found: LearnedLife | NotEnoughData) -> LearnedKind:
    """Write what was learned, only where it differs, so that a repeat changes no row."""
    is_learned = isinstance(found, LearnedLife)
    gallons = round(found.median, 1) if is_learned else None
    shape = round(found.shape, 4) if is_learned else None
    is_changed = (kind.learned_life_gal, kind.learned_life_shape) != (gallons, shape)
    if is_changed:
        PartKind.objects.filter(pk=kind.pk).update(learned_life_gal=gallons, learned_life_shape=shape)
    return LearnedKind(
        code=kind.code,
        name=kind.name,
        parts=found.parts,
        failures=found.failures,
        rated_gal=kind.rated_gal,
        learned_gal=gallons,
        shape=shape,
        rating_share=round(found.rating_share, 3) if is_learned else None,
        covariates_used=found.covariates_used if is_learned else (),
        why_not="" if is_learned else found.reason,
        is_changed=is_changed,
    )
