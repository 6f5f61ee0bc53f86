"""Learns the life of every kind of part from the fleet's own removals and writes it to the catalogue."""

from dataclasses import dataclass, fields
from typing import Final

import numpy as np
from django.db import transaction

from fleet.assessment.columns import FROM_PARTS, WATER_NUMBERS, Shard, read_shard, sorted_rows
from fleet.database.columns import UnitRange, days_of, number_of, ranges_of, read_columns
from fleet.models import PartKind, TreatmentUnit
from fleet.science.curves import UseCurves, gallons_between
from fleet.science.feed_water import FeedHistory, carried_since, feed_history, index_tests
from fleet.science.learning import (
    CENSORING_REASONS,
    ENDING_REASONS,
    LearnedLife,
    NotEnoughData,
    PartHistories,
    ends_a_life,
    learn_life,
    relative_conditions,
)
from fleet.science.settings import DAYS_PER_MONTH, AssessmentSettings
from fleet.science.use import compute_use
from shared.messages import message

REASONS = sorted((ENDING_REASONS | CENSORING_REASONS) - {""})
UNITS_AT_ONCE: Final = 20_000
"""Treatment units read at once; well under a gigabyte."""


NOT_BY_VOLUME: Final = message(
    "Rated by months or pressure drop, not by volume: no life in gallons is learned."
)


@dataclass(frozen=True)
class SeenByParts:
    """One row per part whose gallons were metered, sorted by part id. Unknown numbers are NaN."""

    part_id: np.ndarray
    kind_id: np.ndarray
    entry_gal: np.ndarray
    """Water it had passed when records of its treatment unit began, 0 when recorded since new. [gal]"""
    exit_gal: np.ndarray
    """Water it had passed at removal, or by now while in place. [gal]"""
    ended: np.ndarray
    """Came out worn or failed."""
    free_chlorine_mg_l: np.ndarray
    """Mean over the feed while it was in place."""
    chloramine_mg_l: np.ndarray
    hardness_mg_l: np.ndarray
    """As CaCO3."""
    gal_per_day: np.ndarray
    """Mean of its own water while it was in place."""

    @property
    def count(self) -> int:
        """How many parts."""
        return len(self.part_id)


@dataclass(frozen=True)
class LearnedKind:
    """What was learned of one kind of part, or why nothing was."""

    code: str
    name: str
    parts: int
    failures: int
    rated_gal: float | None
    learned_gal: float | None
    """Water by which half are used up at the conditions of the rating, as the laws of wear apply it."""
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
    pieces = [read_histories(which, until_d) for which in ranges_of(ids, units_at_once)]
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
    gallons = round(found.median_by_law, 1) if is_learned else None
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


def read_histories(which: UnitRange, until_d: float) -> SeenByParts:
    """Return what the parts of some treatment units have seen until a moment.

    Parameters
    ----------
    which : UnitRange
    until_d : float
        Later removals count as in place. [days since 1970-01-01 UTC]

    Notes
    -----
    Records of a treatment unit begin with its first meter reading: removals before that can't be known,
    so a part installed earlier counts from then on (left-truncated). Treatment units without a sound meter
    interval are left out: their gallons would only repeat the design duty.
    """
    shard = read_shard(which, until_d)
    settings = AssessmentSettings()
    units, readings = shard.columns.units, shard.columns.readings
    use, _faults, curves = compute_use(
        units, readings, shard.columns.performance, until_d, settings.use, settings.season
    )
    history = feed_history(index_tests(shard.columns.tests), units, curves, until_d, settings.wear)
    table = _read_parts(which, until_d)
    unit_row = np.searchsorted(units.unit_id, table["unit_id"].astype(np.int64))
    is_metered = ~use.is_design_duty[unit_row] if len(unit_row) else np.zeros(0, dtype=bool)
    table = {name: column[is_metered] for name, column in table.items()}
    return _seen(shard, curves, history, table, unit_row[is_metered], until_d)


def joined(pieces: list[SeenByParts]) -> SeenByParts:
    """Return the parts of several shards as one table, sorted by part id."""
    columns = {
        item.name: np.concatenate([getattr(piece, item.name) for piece in pieces])
        for item in fields(SeenByParts)
    }
    order = np.argsort(columns["part_id"], kind="stable")
    return SeenByParts(**{name: column[order] for name, column in columns.items()})


def _seen(
    shard: Shard,
    curves: UseCurves,
    history: FeedHistory,
    table: dict[str, np.ndarray],
    unit_row: np.ndarray,
    until_d: float,
) -> SeenByParts:
    installed = np.minimum(table["installed_at_d"], until_d)
    removed = np.where(np.isnan(table["removed_at_d"]), until_d, table["removed_at_d"])
    water = table["water"].astype(np.int64)
    recorded = np.maximum(installed, np.minimum(_records_begin(shard)[unit_row], removed))
    exit_gal = gallons_between(curves, unit_row, water, installed, removed)
    since_new = carried_since(history, curves, unit_row, installed, until_d)
    after = carried_since(history, curves, unit_row, removed, until_d)
    with np.errstate(divide="ignore", invalid="ignore"):
        feed_gal = since_new.feed_gal - after.feed_gal
        feed_gal = np.where(feed_gal > 0, feed_gal, np.nan)
        return SeenByParts(
            part_id=table["part_id"].astype(np.int64),
            kind_id=table["kind_id"].astype(np.int64),
            entry_gal=gallons_between(curves, unit_row, water, installed, recorded),
            exit_gal=exit_gal,
            ended=_ended(table["reason"]),
            free_chlorine_mg_l=(since_new.free_chlorine - after.free_chlorine) / feed_gal,
            chloramine_mg_l=(since_new.chloramine - after.chloramine) / feed_gal,
            hardness_mg_l=(since_new.hardness - after.hardness) / feed_gal,
            gal_per_day=np.where(removed > installed, exit_gal / (removed - installed), np.nan),
        )


def _records_begin(shard: Shard) -> np.ndarray:
    """Return the moment of each treatment unit's first reading; never, where there is none."""
    readings = shard.columns.readings
    first = np.full(len(shard.columns.units.unit_id), np.inf)
    np.minimum.at(first, readings.unit_row, readings.read_at_d)
    return first


def _ended(reason: np.ndarray) -> np.ndarray:
    words = np.array([*REASONS, ""])
    return np.asarray(ends_a_life(words[np.where(reason >= 0, reason, len(REASONS)).astype(np.int64)]))


def _read_parts(which: UnitRange, until_d: float) -> dict[str, np.ndarray]:
    """Return every part ever in place by then."""
    until = f"{float(until_d)!r}"
    removed = days_of("p.removed_at")
    columns = {
        "part_id": "p.id",
        "kind_id": "p.kind_id",
        "unit_id": "p.treatment_unit_id",
        "water": number_of("o.water", WATER_NUMBERS),
        "installed_at_d": days_of("p.installed_at"),
        "removed_at_d": f"CASE WHEN {removed} <= {until} THEN {removed} END",
        "reason": f"CASE WHEN {removed} <= {until} THEN "
        f"{number_of('p.removal_reason', {word: i for i, word in enumerate(REASONS)})} ELSE -1 END",
    }
    where = which.where("p.treatment_unit_id")
    rest = f"{FROM_PARTS} WHERE {where} AND {days_of('p.installed_at')} <= {until}"
    return sorted_rows(read_columns(columns, rest), "part_id")
