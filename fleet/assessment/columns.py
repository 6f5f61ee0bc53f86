"""The bridge from rows to the science: one shard of treatment units as columns."""

from dataclasses import dataclass, fields

import numpy as np

from fleet.database.columns import UnitRange, days_of, days_of_date, flag_of, number_of, read_columns
from fleet.models import FlushKind, MembraneType, MeterWater, PartRole
from fleet.science import columns as science
from fleet.science.day_readings import first_young_day, stands_for_its_day
from fleet.science.readiness import ROUNDING_D

WATER_NUMBERS = {water.value: int(science.Water[water.name]) for water in MeterWater}
ROLE_NUMBERS = {role.value: int(science.PartRole[role.name]) for role in PartRole}
FLUSH_NUMBERS = {kind.value: int(science.FlushKind[kind.name]) for kind in FlushKind}
MEMBRANE_NUMBERS = {
    MembraneType.NOT_A_MEMBRANE.value: int(science.MembraneType.NONE),
    MembraneType.POLYAMIDE.value: int(science.MembraneType.POLYAMIDE),
    MembraneType.CELLULOSE_TRIACETATE.value: int(science.MembraneType.CELLULOSE_TRIACETATE),
}
_MEASURED = [
    "free_chlorine_mg_l", "chloramine_mg_l", "hardness_mg_l", "calcium_hardness_mg_l", "alkalinity_mg_l",
    "tds_mg_l", "conductivity_us_cm", "ph", "temperature_c", "iron_mg_l", "manganese_mg_l", "silica_mg_l",
    "sulfate_mg_l", "turbidity_ntu",
]  # fmt: skip
_GAUGES = [
    "feed_pressure_psi", "concentrate_pressure_psi", "permeate_pressure_psi", "feed_temperature_c",
    "feed_conductivity_us_cm", "permeate_conductivity_us_cm", "permeate_flow_gpm", "concentrate_flow_gpm",
    "sediment_inlet_psi", "sediment_outlet_psi", "chlorine_after_carbon_mg_l",
]  # fmt: skip
_RATINGS = [
    "rated_gal", "rated_months", "shelf_life_months", "rating_chlorine_mg_l", "chloramine_factor",
    "bed_volume_ft3", "rated_flow_gpm", "terminal_drop_psi", "rated_hardness_mg_l",
    "hardness_capacity_grains", "oxidant_tolerance_mg_h_l", "temperature_k_below_25",
    "temperature_k_from_25", "flush_gal", "learned_life_gal", "learned_life_shape",
]  # fmt: skip


_PACK = 64
"""Treatment units whose readings come packed as one: a year of hourly ones is a hundredth of what fits."""
_LEARNED = ("learned_life_gal", "learned_life_shape")
FROM_PARTS = (
    "FROM fleet_part p JOIN fleet_position o ON o.id = p.position_id "
    "JOIN fleet_partkind k ON k.id = p.kind_id"
)
"""Parts with their positions and kinds, for ``read_columns``."""


@dataclass(frozen=True)
class Shard:
    """A shard as the science takes it, with the ids that its rows stand for."""

    columns: science.ShardColumns
    site_id: np.ndarray
    part_cost: np.ndarray
    """What each part of ``columns.parts`` costs the company. [currency]"""


def read_shard(which: UnitRange, until_d: float, *, is_past: bool = False) -> Shard:
    """Return the columns of a shard as known at a moment.

    Parameters
    ----------
    which : UnitRange
    until_d : float
        Nothing later than this is read. [days since 1970-01-01 UTC]
    is_past : bool
        Take the parts that were in place then, removed since or not, with ratings as they are in the
        catalogue now and no life learned since. A reading corrected since comes as corrected; treatment
        units taken out of service since come as such.
    """
    unit_table = _read_units(which)
    unit_ids = unit_table["unit_id"].astype(np.int64)
    tests, source_keys = _read_tests(which, until_d)
    site_id = unit_table["site_id"].astype(np.int64)
    supply_id = np.where(np.isnan(unit_table["supply_id"]), -1, unit_table["supply_id"]).astype(np.int64)
    units = science.Units(
        unit_id=unit_ids,
        site_source_row=_row_of(source_keys, 2 * site_id),
        supply_source_row=_row_of(source_keys, np.where(supply_id < 0, -1, 2 * supply_id + 1)),
        design_recovery=unit_table["design_recovery"],
        design_use_gal_per_day=unit_table["design_use_gal_per_day"],
        design_permeate_gpm=unit_table["design_permeate_gpm"],
        commissioned_d=unit_table["commissioned_d"],
        is_out_of_service=unit_table["is_out_of_service"] > 0,
        idle_limit_days=unit_table["idle_limit_days"],
    )
    parts, part_cost = _read_parts(which, unit_ids, until_d, is_past=is_past)
    shard_columns = science.ShardColumns(
        units=units,
        readings=_read_meter_readings(which, unit_ids, until_d),
        tests=tests,
        parts=parts,
        performance=_read_performance(which, unit_ids, until_d),
        flushes=_read_flushes(which, unit_ids, until_d),
    )
    return Shard(shard_columns, site_id, part_cost)


def _row_of(keys: np.ndarray, wanted: np.ndarray) -> np.ndarray:
    """Return the row of each wanted key in sorted keys, -1 where it is missing."""
    if not len(keys):
        return np.full(len(wanted), -1, dtype=np.int64)
    rows = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
    return np.where(keys[rows] == wanted, rows, -1).astype(np.int64)


def sorted_rows(table: dict[str, np.ndarray], *by: str) -> dict[str, np.ndarray]:
    """Return the rows in order of these columns, the first one outermost."""
    order = np.lexsort([table[name] for name in reversed(by)])
    return {name: column[order] for name, column in table.items()}


def _build(kind: type, table: dict[str, np.ndarray], **given) -> object:
    """Make a science table from read columns, casting each to the type its field declares."""
    values = {}
    for field in fields(kind):
        if field.name in given:
            values[field.name] = given[field.name]
        elif field.type is science.Ints:
            values[field.name] = np.nan_to_num(table[field.name], nan=-1).astype(np.int64)
        elif field.type is science.Flags:
            values[field.name] = table[field.name] > 0
        else:
            values[field.name] = table[field.name]
    return kind(**values)


def _read_units(which: UnitRange) -> dict[str, np.ndarray]:
    columns = {
        "unit_id": "u.id",
        "site_id": "u.site_id",
        "supply_id": "s.supply_id",
        "design_recovery": "u.design_recovery",
        "design_use_gal_per_day": "u.design_use_gal_per_day",
        "design_permeate_gpm": "u.design_permeate_gpm",
        "commissioned_d": days_of_date("u.commissioned_on"),
        "is_out_of_service": flag_of("u.is_out_of_service"),
        "idle_limit_days": "u.idle_limit_days",
    }
    rest = f"FROM fleet_treatmentunit u JOIN fleet_site s ON s.id = u.site_id WHERE {which.where('u.id')}"
    return sorted_rows(read_columns(columns, rest), "unit_id")


def _read_tests(which: UnitRange, until_d: float) -> tuple[science.FeedTests, np.ndarray]:
    """Return the tests that matter to the shard and the sorted keys of their sources."""
    columns = {
        "key": "CASE WHEN t.site_id IS NULL THEN 2 * t.supply_id + 1 ELSE 2 * t.site_id END",
        "sampled_at_d": days_of("t.sampled_at"),
        **{name: f"t.{name}" for name in _MEASURED},
    }
    sites = f"SELECT u.site_id FROM fleet_treatmentunit u WHERE {which.where('u.id')}"
    supplies = f"SELECT s.supply_id FROM fleet_site s WHERE s.id IN ({sites})"
    rest = (
        f"FROM fleet_feedtest t WHERE (t.site_id IN ({sites}) OR t.supply_id IN ({supplies})) "
        f"AND {days_of('t.sampled_at')} <= {float(until_d)!r}"
    )
    table = sorted_rows(read_columns(columns, rest), "key", "sampled_at_d")
    keys = table["key"].astype(np.int64)
    source_keys, source_row = np.unique(keys, return_inverse=True)
    return _build(science.FeedTests, table, source_row=source_row.astype(np.int64)), source_keys


def register_columns() -> dict[str, str]:
    """Return each column of a register as SQL over a reading ``r``."""
    return {
        "unit_id": "r.treatment_unit_id",
        "water": number_of("r.water", WATER_NUMBERS),
        "meter_id": "r.meter_id",
        "read_at_d": days_of("r.read_at"),
        "total_gal": "r.total_gal",
        "rollover_gal": "r.rollover_gal",
    }


def _read_meter_readings(which: UnitRange, unit_ids: np.ndarray, until_d: float) -> science.MeterReadings:
    """Return the newest revision of every reading; of old days with many only those that stand for them."""
    rest = (
        f"FROM fleet_meterreading r WHERE {which.where('r.treatment_unit_id')} AND r.is_latest "
        f"AND {days_of('r.read_at')} <= {float(until_d)!r}"
    )
    table = read_columns(register_columns(), rest, packed_by=f"r.treatment_unit_id / {_PACK}")
    unit_id, meter_id = (table[name].astype(np.int64) for name in ("unit_id", "meter_id"))
    young = first_young_day(unit_id, table["read_at_d"])
    chosen = stands_for_its_day(meter_id, table["read_at_d"], table["total_gal"], young)
    table = {name: column[chosen] for name, column in table.items()}
    table = sorted_rows(table, "unit_id", "water", "read_at_d", "meter_id")
    return _build(science.MeterReadings, table, unit_row=_row_of(unit_ids, table["unit_id"].astype(np.int64)))


def _read_parts(
    which: UnitRange, unit_ids: np.ndarray, until_d: float, *, is_past: bool = False
) -> tuple[science.Parts, np.ndarray]:
    """Return the parts in place and what each costs; of a past moment those removed since, too."""
    columns = {
        "part_id": "p.id",
        "cost": "k.cost",
        "unit_id": "p.treatment_unit_id",
        "position_order": 'o."order"',
        "role": number_of("k.role", ROLE_NUMBERS),
        "water": number_of("o.water", WATER_NUMBERS),
        "installed_at_d": days_of("p.installed_at"),
        "made_on_d": days_of_date("p.made_on"),
        "clean_drop_psi": "p.clean_drop_psi",
        "clean_drop_flow_gpm": "p.clean_drop_flow_gpm",
        "membrane_type": number_of("k.membrane_type", MEMBRANE_NUMBERS),
        "needs_flush": flag_of("k.needs_flush"),
        **{name: f"k.{name}" for name in _RATINGS},
    }
    then = f" OR {days_of('p.removed_at')} > {float(until_d)!r}" if is_past else ""
    rest = (
        f"{FROM_PARTS} WHERE {which.where('p.treatment_unit_id')} AND (p.removed_at IS NULL{then}) "
        f"AND {days_of('p.installed_at')} <= {float(until_d)!r}"
    )
    table = sorted_rows(read_columns(columns, rest), "unit_id", "position_order", "part_id")
    if is_past:
        # Learned from all removals up to now; in the past they were not known.
        table |= {name: np.full(len(table["part_id"]), np.nan) for name in _LEARNED}
    unit_row = _row_of(unit_ids, table["unit_id"].astype(np.int64))
    return _build(science.Parts, table, unit_row=unit_row), table["cost"]


def _read_performance(which: UnitRange, unit_ids: np.ndarray, until_d: float) -> science.PerformanceReadings:
    columns = {
        "unit_id": "r.treatment_unit_id",
        "read_at_d": days_of("r.read_at"),
        "saw_fines": flag_of("r.saw_fines"),
        **{name: f"r.{name}" for name in _GAUGES},
    }
    rest = (
        f"FROM fleet_performancereading r WHERE {which.where('r.treatment_unit_id')} AND r.is_latest "
        f"AND {days_of('r.read_at')} <= {float(until_d)!r}"
    )
    # One latest reading a moment, so that unit and moment tell the order.
    table = sorted_rows(
        read_columns(columns, rest, packed_by=f"r.treatment_unit_id / {_PACK}"), "unit_id", "read_at_d"
    )
    unit_row = _row_of(unit_ids, table["unit_id"].astype(np.int64))
    return _build(science.PerformanceReadings, table, unit_row=unit_row)


def _read_flushes(which: UnitRange, unit_ids: np.ndarray, until_d: float) -> science.Flushes:
    columns = {
        "unit_id": "f.treatment_unit_id",
        "flush_id": "f.id",
        "part_id": "f.part_id",
        "kind": number_of("f.kind", FLUSH_NUMBERS),
        "flushed_at_d": days_of("f.flushed_at"),
        "volume_gal": "f.volume_gal",
        "minutes": "f.minutes",
        "ran_clear": flag_of("(f.ran_clear AND f.missing = '')"),
    }
    rest = (
        f"FROM fleet_flush f WHERE {which.where('f.treatment_unit_id')} "
        f"AND {days_of('f.flushed_at')} <= {float(until_d) + ROUNDING_D!r}"
    )
    table = read_columns(columns, rest)
    table = sorted_rows(table, "unit_id", "flushed_at_d", "flush_id")
    return _build(science.Flushes, table, unit_row=_row_of(unit_ids, table["unit_id"].astype(np.int64)))


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
        f"{FROM_PARTS} JOIN fleet_treatmentunit u ON u.id = p.treatment_unit_id "
        f"WHERE {which.where('p.treatment_unit_id')}"
    )
    table = sorted_rows(read_columns(columns, rest), "part_id")
    whole = {name: table.pop(name).astype(np.int64) for name in ("part_id", "kind_id", "position_id")}
    return PartTimes(**whole, **table)
