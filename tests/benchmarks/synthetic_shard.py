"""An invented shard of any size, for benchmarks and tests. Nothing in it is measured."""

import math
from dataclasses import fields
from typing import Any

import numpy as np

from fleet.science.columns import (
    FeedTests,
    Flushes,
    MembraneType,
    MeterReadings,
    PartRole,
    Parts,
    PerformanceReadings,
    ShardColumns,
    Units,
    Water,
)

_ROLES = (PartRole.SEDIMENT, PartRole.CARBON, PartRole.MEMBRANE, PartRole.POST_CARBON)
UNITS_A_SUPPLY = 50
_WHOLE_NUMBERS = {
    "unit_id",
    "unit_row",
    "site_source_row",
    "supply_source_row",
    "water",
    "meter_id",
    "source_row",
    "part_id",
    "position_order",
    "role",
    "membrane_type",
    "kind",
}
_FLAGS = {"is_out_of_service", "needs_flush", "saw_fines", "ran_clear"}


def make_table(table: type[Any], rows: int, /, **columns: Any) -> Any:
    """
    Return a table with the named columns and unknown values in the others.

    Parameters
    ----------
    table : type
        One of the table classes of ``columns``.
    rows : int
        How many rows.
    **columns : array or scalar
        Values; scalars are repeated.

    Returns
    -------
    table
        Unknown whole numbers are -1, unknown numbers NaN, unknown flags False.

    Raises
    ------
    TypeError
        For a column the table does not have.
    """
    names = {item.name for item in fields(table)}
    if unknown := sorted(set(columns) - names):
        raise TypeError(f"{table.__name__} has no column {', '.join(unknown)}.")
    filled = {}
    for name in names:
        sort: Any = np.int64 if name in _WHOLE_NUMBERS else np.bool_ if name in _FLAGS else np.float64
        missing = -1 if name in _WHOLE_NUMBERS else False if name in _FLAGS else np.nan
        value = np.asarray(columns.get(name, missing), dtype=sort)
        filled[name] = np.broadcast_to(value, (rows,)).copy()
    return table(**filled)


def make_shard(
    units: int, readings_per_unit: int, seed: int, now_d: float = 20_000.0, every_days: float = 7.0
) -> ShardColumns:
    """
    Invent a shard: one permeate meter each, four parts, a supply for 50 units, gauges every eight weeks.

    Parameters
    ----------
    units : int
        How many treatment units.
    readings_per_unit : int
        Register readings of each.
    seed : int
        Of the random numbers.
    now_d : float
        The newest reading is up to about ``every_days`` older. [day]
    every_days : float
        Days between readings, on average. [day]

    Returns
    -------
    ShardColumns
        Sorted as ``columns`` says.
    """
    rng = np.random.default_rng(seed)
    mean = rng.lognormal(np.log(40.0), 0.5, units)
    supplies = -(-units // UNITS_A_SUPPLY)
    return ShardColumns(
        units=make_table(
            Units,
            units,
            unit_id=np.arange(units),
            supply_source_row=np.arange(units) // UNITS_A_SUPPLY,
            design_recovery=0.4,
            design_use_gal_per_day=mean * rng.lognormal(0.0, 0.3, units),
            design_permeate_gpm=0.5,
            commissioned_d=now_d - 700,
            idle_limit_days=30.0,
        ),
        readings=_readings(rng, mean, readings_per_unit, now_d, every_days),
        tests=_tests(rng, supplies, now_d),
        parts=_parts(rng, units, now_d),
        performance=_performance(rng, units, math.ceil(readings_per_unit * every_days / 56), now_d),
        flushes=make_table(
            Flushes,
            units,
            unit_row=np.arange(units),
            kind=1,
            flushed_at_d=now_d - 20,
            volume_gal=25.0,
            minutes=20.0,
            ran_clear=True,
        ),
    )


def _readings(
    rng: np.random.Generator, mean: Any, per_unit: int, now_d: float, every_days: float
) -> MeterReadings:
    units = len(mean)
    days = rng.uniform(5.0, 9.0, (units, per_unit)) * (every_days / 7)
    use = rng.normal(mean[:, None] * days, 0.5 * mean[:, None] * np.sqrt(days))
    total = np.cumsum(np.maximum(use, 0.0), axis=1) + rng.uniform(0, 5000, (units, 1))
    at_d = now_d - np.cumsum(days[:, ::-1], axis=1)[:, ::-1] + days[:, :1] * 0.2
    rows = units * per_unit
    table: MeterReadings = make_table(
        MeterReadings,
        rows,
        unit_row=np.repeat(np.arange(units), per_unit),
        water=int(Water.PERMEATE),
        meter_id=np.repeat(np.arange(units), per_unit),
        read_at_d=at_d.ravel(),
        total_gal=total.ravel(),
        rollover_gal=1e6,
    )
    return table


def _tests(rng: np.random.Generator, supplies: int, now_d: float) -> FeedTests:
    per_supply = 6
    rows = supplies * per_supply
    table: FeedTests = make_table(
        FeedTests,
        rows,
        source_row=np.repeat(np.arange(supplies), per_supply),
        sampled_at_d=np.tile(now_d - 720 + 120.0 * np.arange(per_supply), supplies),
        free_chlorine_mg_l=rng.uniform(0.2, 2.5, rows),
        chloramine_mg_l=0.0,
        hardness_mg_l=rng.uniform(20.0, 300.0, rows),
    )
    return table


def _parts(rng: np.random.Generator, units: int, now_d: float) -> Parts:
    places = len(_ROLES)
    rows = units * places

    def by_place(*values: float) -> Any:
        return np.tile(np.array(values), units)

    nan = np.nan
    table: Parts = make_table(
        Parts,
        rows,
        part_id=np.arange(rows),
        unit_row=np.repeat(np.arange(units), places),
        position_order=by_place(*range(places)),
        role=by_place(*[float(role) for role in _ROLES]),
        water=by_place(Water.FEED, Water.FEED, Water.PERMEATE, Water.PERMEATE),
        installed_at_d=now_d - rng.uniform(5, 340, rows),
        rated_gal=by_place(nan, 20_000, 30_000, 10_000),
        rated_months=by_place(6, 12, 36, 12),
        rating_chlorine_mg_l=by_place(nan, 2.0, nan, nan),
        chloramine_factor=by_place(nan, 4.0, nan, nan),
        bed_volume_ft3=by_place(nan, 0.08, nan, nan),
        terminal_drop_psi=by_place(15, nan, nan, nan),
        clean_drop_psi=by_place(1, nan, nan, nan),
        clean_drop_flow_gpm=by_place(1.25, nan, nan, nan),
        rated_hardness_mg_l=by_place(nan, nan, 170, nan),
        oxidant_tolerance_mg_h_l=by_place(nan, nan, 500, nan),
        membrane_type=by_place(0, 0, MembraneType.POLYAMIDE, 0),
        temperature_k_below_25=by_place(nan, nan, 3020, nan),
        temperature_k_from_25=by_place(nan, nan, 2640, nan),
        flush_gal=by_place(nan, 25, 25, nan),
        needs_flush=by_place(0, 1, 1, 0),
    )
    return table


def _performance(rng: np.random.Generator, units: int, per_unit: int, now_d: float) -> PerformanceReadings:
    rows = units * per_unit
    celsius = rng.uniform(8.0, 25.0, rows)
    table: PerformanceReadings = make_table(
        PerformanceReadings,
        rows,
        unit_row=np.repeat(np.arange(units), per_unit),
        read_at_d=np.tile(now_d - 3 - 56.0 * np.arange(per_unit)[::-1], units),
        feed_pressure_psi=rng.normal(80.0, 3.0, rows),
        concentrate_pressure_psi=72.0,
        permeate_pressure_psi=3.0,
        feed_temperature_c=celsius,
        feed_conductivity_us_cm=rng.normal(600.0, 40.0, rows),
        permeate_conductivity_us_cm=rng.normal(20.0, 1.0, rows),
        permeate_flow_gpm=0.5 * np.exp(0.025 * (celsius - 25)) * rng.normal(1.0, 0.02, rows),
        concentrate_flow_gpm=0.75,
        sediment_inlet_psi=85.0,
        sediment_outlet_psi=rng.normal(82.0, 0.5, rows),
        chlorine_after_carbon_mg_l=np.where(rng.random(rows) < 0.3, 0.02, np.nan),
    )
    return table
