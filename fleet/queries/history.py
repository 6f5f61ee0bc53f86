"""A shard as it was known at a moment in the past, parts removed since included."""

from dataclasses import dataclass, fields, replace

import numpy as np

from fleet.queries.column_reader import days_of, days_of_date, flag_of, number_of, read_columns
from fleet.queries.columns import MEMBRANE_NUMBERS, ROLE_NUMBERS, WATER_NUMBERS, Shard, UnitRange, read_shard
from fleet.science import columns as science

_OF_PART = {
    "part_id": "p.id",
    "unit_id": "p.treatment_unit_id",
    "position_order": 'o."order"',
    "role": "",
    "water": "",
    "installed_at_d": "",
    "made_on_d": "",
    "clean_drop_psi": "p.clean_drop_psi",
    "clean_drop_flow_gpm": "p.clean_drop_flow_gpm",
    "membrane_type": "",
    "needs_flush": "",
    "cost": "k.cost",
}
_LEARNED = ("learned_life_gal", "learned_life_shape")
"""Learned from all removals up to now; in the past they were not known."""


@dataclass(frozen=True)
class PartTimes:
    """Every part ever in place, arrays of one length."""

    part_id: np.ndarray
    kind_id: np.ndarray
    position_id: np.ndarray
    installed_d: np.ndarray
    removed_d: np.ndarray
    """NaN while in place. [day since 1970-01-01]"""
    rated_gal: np.ndarray
    rated_months: np.ndarray
    design_gal_per_day: np.ndarray
    """What the position sees by the design duty: feed or permeate. [gal/day]"""


def read_shard_then(which: UnitRange, then_d: float) -> Shard:
    """Return the columns of a shard as known at a past moment.

    Parameters
    ----------
    which : UnitRange
    then_d : float
        The moment. [days since 1970-01-01 UTC]

    Returns
    -------
    Shard
        Parts that were in place then, removed since or not, with ratings as they are in the catalogue now and
        no life learned since. A reading corrected since comes as corrected; treatment units that have been
        taken out of service since come as such.
    """
    shard = read_shard(which, then_d)
    parts, cost = _parts_then(which, shard.columns.units.unit_id, then_d)
    return replace(shard, columns=replace(shard.columns, parts=parts), part_cost=cost)


def _parts_then(which: UnitRange, unit_ids: np.ndarray, then_d: float) -> tuple[science.Parts, np.ndarray]:
    computed = {
        "role": number_of("k.role", ROLE_NUMBERS),
        "water": number_of("o.water", WATER_NUMBERS),
        "installed_at_d": days_of("p.installed_at"),
        "made_on_d": days_of_date("p.made_on"),
        "membrane_type": number_of("k.membrane_type", MEMBRANE_NUMBERS),
        "needs_flush": flag_of("k.needs_flush"),
    }
    names = [field.name for field in fields(science.Parts) if field.name not in (*_LEARNED, "unit_row")]
    columns = {name: f"k.{name}" for name in names} | _OF_PART | computed
    then = float(then_d)
    rest = (
        "FROM fleet_part p JOIN fleet_position o ON o.id = p.position_id "
        "JOIN fleet_partkind k ON k.id = p.kind_id "
        f"WHERE {which.where('p.treatment_unit_id')} AND {days_of('p.installed_at')} <= {then!r} "
        f"AND (p.removed_at IS NULL OR {days_of('p.removed_at')} > {then!r}) "
        'ORDER BY p.treatment_unit_id, o."order", p.id'
    )
    table = read_columns(columns, rest)
    for name in _LEARNED:
        table[name] = np.full(len(table["part_id"]), np.nan)
    table["unit_row"] = np.searchsorted(unit_ids, table["unit_id"])
    values = {field.name: _as_type(table[field.name], field.type) for field in fields(science.Parts)}
    return science.Parts(**values), table["cost"]


def _as_type(column: np.ndarray, kind: object) -> np.ndarray:
    if kind is science.Ints:
        return np.nan_to_num(column, nan=-1).astype(np.int64)
    return column > 0 if kind is science.Flags else column


def read_part_times(which: UnitRange) -> PartTimes:
    """Return when each part ever installed came in and went out, with its rating and design duty."""
    feed = number_of("o.water", WATER_NUMBERS)
    columns = {
        "part_id": "p.id",
        "kind_id": "p.kind_id",
        "position_id": "p.position_id",
        "installed_d": days_of("p.installed_at"),
        "removed_d": days_of("p.removed_at"),
        "rated_gal": "k.rated_gal",
        "rated_months": "k.rated_months",
        "design_gal_per_day": "u.design_use_gal_per_day / CASE WHEN "
        f"({feed}) = {WATER_NUMBERS['feed']} THEN u.design_recovery ELSE 1.0 END",
    }
    rest = (
        "FROM fleet_part p JOIN fleet_position o ON o.id = p.position_id "
        "JOIN fleet_partkind k ON k.id = p.kind_id "
        "JOIN fleet_treatmentunit u ON u.id = p.treatment_unit_id "
        f"WHERE {which.where('p.treatment_unit_id')} ORDER BY p.id"
    )
    table = read_columns(columns, rest)
    whole = {name: table.pop(name).astype(np.int64) for name in ("part_id", "kind_id", "position_id")}
    return PartTimes(**whole, **table)
