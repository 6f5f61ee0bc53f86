"""Writes a synthetic fleet of any size into an empty PostgreSQL database, fast. Nothing in it is measured."""

from collections.abc import Callable
from dataclasses import fields, replace
from typing import Final

import numpy as np
from django.db import connection, transaction

from fleet.database.bulk_write import copy_columns
from fleet.models import Branch, Customer, PartKind
from fleet.science.columns import PartRole, ShardColumns
from tests.benchmarks.synthetic_shard import UNITS_A_SUPPLY, make_shard

NOW_D: Final = 20_000.0
"""The moment of the synthetic fleet. [days since 1970-01-01 UTC]"""
UNITS_AT_ONCE: Final = 20_000
"""Made and written in one go, so that memory stays the same whatever the fleet."""
_AT = "to_timestamp({} * 86400)"
_POSITIONS = ("sediment", "carbon", "membrane", "post-carbon")
_KIND_RATINGS = (
    "rated_gal", "rated_months", "rating_chlorine_mg_l", "chloramine_factor", "bed_volume_ft3",
    "terminal_drop_psi", "rated_hardness_mg_l", "oxidant_tolerance_mg_h_l", "temperature_k_below_25",
    "temperature_k_from_25", "flush_gal",
)  # fmt: skip
_GAUGES = (
    "feed_pressure_psi", "concentrate_pressure_psi", "permeate_pressure_psi", "feed_temperature_c",
    "feed_conductivity_us_cm", "permeate_conductivity_us_cm", "permeate_flow_gpm", "concentrate_flow_gpm",
    "sediment_inlet_psi", "sediment_outlet_psi", "chlorine_after_carbon_mg_l",
)  # fmt: skip


def load_synthetic_fleet(
    units: int,
    readings_per_unit: int,
    seed: int,
    now_d: float = NOW_D,
    *,
    every_days: float = 7.0,
    tell: Callable[[str], None] = lambda _text: None,
) -> None:
    """Write sites, treatment units, parts, readings, gauges, tests and flushes of a synthetic fleet.

    Parameters
    ----------
    units : int
        Treatment units, one site each.
    readings_per_unit : int
        Register readings of each.
    seed : int
        Of the random numbers.
    now_d : float
        The fleet's own moment. [day]
    every_days : float
        Days between readings, on average. [day]
    tell : callable
        Told how far it is.
    """
    branch = Branch.objects.create(code="made-up", name="Made-up depot")
    customer = Customer.objects.create(code="made-up", name="Made-up customer")
    for begin in range(0, units, UNITS_AT_ONCE):
        some = min(UNITS_AT_ONCE, units - begin)
        shard = make_shard(some, readings_per_unit, seed + begin, now_d, every_days)
        if not begin:
            _make_kinds(shard.parts)
        _add(shard, begin, branch.pk, customer.pk)
        tell(f"{begin + some:,} of {units:,} treatment units loaded")


@transaction.atomic
def _add(shard: ShardColumns, begin: int, branch_id: int, customer_id: int) -> None:
    """Add a piece of the fleet whose first treatment unit has this number, counted from 0."""
    ahead = {name: begin for name in ("unit_id", "unit_row", "meter_id")}
    ahead |= {name: begin // UNITS_A_SUPPLY for name in ("source_row", "supply_source_row")}
    ahead["part_id"] = begin * len(_POSITIONS)
    for name in ("units", "readings", "tests", "parts", "performance", "flushes"):
        table = getattr(shard, name)
        own = {item.name for item in fields(table)} & ahead.keys()
        _stage(name, replace(table, **{key: getattr(table, key) + ahead[key] for key in own}))
    with connection.cursor() as cursor:
        for statement in _inserts(branch_id, customer_id):
            cursor.execute(statement)


def vacuum() -> None:
    """Let the database take stock of what was loaded, as it would by itself overnight."""
    with connection.cursor() as cursor:
        cursor.execute("VACUUM ANALYZE")


def _stage(name: str, table: object) -> None:
    """Put a table of the science into a temporary table of floats; NaN becomes NULL."""
    columns = {item.name: getattr(table, item.name).astype(np.float64) for item in fields(table)}
    listed = ", ".join(f"{column} float8" for column in columns)
    with connection.cursor() as cursor:
        cursor.execute(f"CREATE TEMPORARY TABLE staged_{name} ({listed}) ON COMMIT DROP")
    copy_columns(f"staged_{name}", [columns])


def _make_kinds(parts: object) -> None:
    """One line of the catalogue per place; ids 1 to 4 in the order of the places."""
    for place in range(len(_POSITIONS)):
        ratings = {name: float(getattr(parts, name)[place]) for name in _KIND_RATINGS}
        role = PartRole(int(parts.role[place]))
        PartKind.objects.create(
            pk=place + 1,
            code=_POSITIONS[place],
            name=_POSITIONS[place].capitalize(),
            role=role.name.lower(),
            membrane_type="polyamide" if role == PartRole.MEMBRANE else "",
            needs_flush=bool(parts.needs_flush[place]),
            cost=20,
            **{name: None if np.isnan(value) else value for name, value in ratings.items()},
        )


def _null(column: str) -> str:
    return f"NULLIF({column}, 'NaN'::float8)"


def _inserts(branch_id: int, customer_id: int) -> list[str]:
    """SQL from the staged tables to the fleet's own. Takes whole numbers only."""
    gauges = ", ".join(_GAUGES)
    staged_gauges = ", ".join(_null(name) for name in _GAUGES)
    codes = ", ".join(f"({i}, '{code}', '{water}')" for i, (code, water) in enumerate(
        zip(_POSITIONS, ("feed", "feed", "permeate", "permeate"), strict=True)))  # fmt: skip
    return [
        "INSERT INTO fleet_watersupply (id, code, name, kind) SELECT DISTINCT source_row + 1, "
        "'made-up ' || source_row, 'Made-up supply ' || source_row, 'utility' FROM staged_tests",
        "INSERT INTO fleet_site (id, code, name, customer_id, branch_id, supply_id, address, area, "
        f"time_zone, kind, access_note, is_closed) SELECT unit_id + 1, 'made-up ' || unit_id, "
        f"'Site ' || unit_id, {int(customer_id)}, {int(branch_id)}, supply_source_row + 1, '', '', "
        "'America/Chicago', '', '', false FROM staged_units",
        "INSERT INTO fleet_treatmentunit (id, serial, label, site_id, commissioned_on, design_recovery, "
        "design_use_gal_per_day, design_permeate_gpm, idle_limit_days, mains_voltage, is_out_of_service, "
        "out_of_service_reason, label_code, note) SELECT unit_id + 1, 'M-' || unit_id, '', unit_id + 1, "
        "date '1970-01-01' + commissioned_d::int, design_recovery, design_use_gal_per_day, "
        "design_permeate_gpm, idle_limit_days, 120, false, '', gen_random_uuid(), '' FROM staged_units",
        'INSERT INTO fleet_position (id, treatment_unit_id, code, "order", water) '
        "SELECT u.unit_id * 4 + c.place + 1, u.unit_id + 1, c.code, c.place + 1, c.water "
        f"FROM staged_units u CROSS JOIN (VALUES {codes}) AS c(place, code, water)",
        "INSERT INTO fleet_part (id, treatment_unit_id, position_id, kind_id, serial, lot, installed_at, "
        "clean_drop_psi, clean_drop_flow_gpm) SELECT part_id + 1, unit_row + 1, part_id + 1, "
        f"position_order + 1, '', '', {_AT.format('installed_at_d')}, {_null('clean_drop_psi')}, "
        f"{_null('clean_drop_flow_gpm')} FROM staged_parts",
        "INSERT INTO fleet_meter (id, treatment_unit_id, water, serial, measure, digits, installed_at) "
        f"SELECT unit_id + 1, unit_id + 1, 'permeate', '', 'gal', 6, {_AT.format('commissioned_d')} "
        "FROM staged_units",
        "INSERT INTO fleet_meterreading (treatment_unit_id, meter_id, water, read_at, total, total_gal, "
        "rollover_gal, revision, is_latest, source, recorded_at) SELECT unit_row + 1, meter_id + 1, "
        f"'permeate', {_AT.format('read_at_d')}, total_gal, total_gal, rollover_gal, 0, true, 'file', "
        f"{_AT.format('read_at_d')} FROM staged_readings",
        "INSERT INTO fleet_feedtest (supply_id, sampled_at, free_chlorine_mg_l, chloramine_mg_l, "
        f"hardness_mg_l, recorded_at, source) SELECT source_row + 1, {_AT.format('sampled_at_d')}, "
        f"free_chlorine_mg_l, chloramine_mg_l, hardness_mg_l, {_AT.format('sampled_at_d')}, '' "
        "FROM staged_tests",
        f"INSERT INTO fleet_performancereading (treatment_unit_id, read_at, {gauges}, saw_fines, revision, "
        f"is_latest, source, recorded_at) SELECT unit_row + 1, {_AT.format('read_at_d')}, {staged_gauges}, "
        f"false, 0, true, 'file', {_AT.format('read_at_d')} FROM staged_performance",
        "INSERT INTO fleet_flush (treatment_unit_id, kind, flushed_at, volume_gal, minutes, ran_clear, "
        f"client_id) SELECT unit_row + 1, 'carbon_fines', {_AT.format('flushed_at_d')}, "
        "volume_gal, minutes, true, gen_random_uuid() FROM staged_flushes",
    ]
