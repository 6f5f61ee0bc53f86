"""What every part, removed or in place, has seen: the ground for learning lives."""

from dataclasses import dataclass, fields

import numpy as np

from fleet.assessment.columns import Shard, read_shard
from fleet.assessment.day_readings import WATER_NUMBERS
from fleet.database.columns import UnitRange, days_of, number_of, read_columns
from fleet.science.curves import UseCurves, gallons_between
from fleet.science.feed_water import FeedHistory, carried_since, feed_history, index_tests
from fleet.science.learning import CENSORING_REASONS, ENDING_REASONS, ends_a_life
from fleet.science.settings import AssessmentSettings
from fleet.science.use import compute_use

REASONS = sorted((ENDING_REASONS | CENSORING_REASONS) - {""})


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
    rest = (
        "FROM fleet_part p JOIN fleet_position o ON o.id = p.position_id "
        f"WHERE {which.where('p.treatment_unit_id')} AND {days_of('p.installed_at')} <= {until} "
        "ORDER BY p.id"
    )
    return read_columns(columns, rest)
