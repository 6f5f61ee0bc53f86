"""A shard of a few treatment units written out by hand."""

import numpy as np

from fleet.science.assess import assess_shard
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
from fleet.science.found import ShardFindings
from tests.benchmarks.synthetic_shard import make_table

NOW_D = 20_000.0
STANDARD_PARTS = {
    PartRole.SEDIMENT: {
        "water": Water.FEED,
        "rated_months": 6,
        "clean_drop_psi": 1.0,
        "clean_drop_flow_gpm": 1.0,
        "terminal_drop_psi": 15.0,
    },
    PartRole.CARBON: {
        "water": Water.FEED,
        "rated_months": 12,
        "rated_gal": 5000.0,
        "rating_chlorine_mg_l": 2.0,
        "chloramine_factor": 4.0,
        "needs_flush": True,
        "flush_gal": 25.0,
    },
    PartRole.SOFTENING: {"water": Water.FEED, "hardness_capacity_grains": 10_000.0},
    PartRole.MEMBRANE: {
        "water": Water.PERMEATE,
        "rated_months": 36,
        "rated_gal": 30_000.0,
        "rated_hardness_mg_l": 170.0,
        "oxidant_tolerance_mg_h_l": 500.0,
        "membrane_type": MembraneType.POLYAMIDE,
        "needs_flush": True,
    },
}


def meter(totals, *, every=7.0, last_d=NOW_D, unit=0, water=Water.PERMEATE, meter_id=None, rollover=1e6):
    """Registers read at one distance, the last at last_d."""
    count = len(totals)
    return make_table(
        MeterReadings,
        count,
        unit_row=unit,
        water=int(water),
        meter_id=np.full(count, unit) if meter_id is None else meter_id,
        read_at_d=last_d - every * np.arange(count)[::-1],
        total_gal=totals,
        rollover_gal=rollover,
    )


def steady(gal_per_day, weeks=52, **options):
    """A register that moves evenly, from zero."""
    return meter(gal_per_day * 7.0 * np.arange(weeks + 1), **options)


def joined(*tables):
    """Tables one after another."""
    columns = {name: np.concatenate([vars(table)[name] for table in tables]) for name in vars(tables[0])}
    return type(tables[0])(**columns)


def units(count=1, **columns):
    """Treatment units at 40 % recovery, 40 gal/day, 0.5 gpm, with a supply of their own."""
    usual = {
        "unit_id": np.arange(count),
        "supply_source_row": np.arange(count),
        "design_recovery": 0.4,
        "design_use_gal_per_day": 40.0,
        "design_permeate_gpm": 0.5,
        "commissioned_d": NOW_D - 1000,
        "idle_limit_days": 30.0,
    }
    return make_table(Units, count, **(usual | columns))


def part(role, *, days_ago=100.0, part_id=0, unit=0, place=0, **columns):
    """One part with the standard ratings of its role."""
    usual = STANDARD_PARTS.get(role, {"water": Water.FEED}) | {
        "part_id": part_id,
        "unit_row": unit,
        "position_order": place,
        "role": int(role),
        "installed_at_d": NOW_D - days_ago,
    }
    return make_table(Parts, 1, **(usual | columns))


def feed_tests(*rows):
    """Feed tests from (source, days ago, {field: value})."""
    tables = [
        make_table(FeedTests, 1, source_row=source, sampled_at_d=NOW_D - days_ago, **values)
        for source, days_ago, values in rows
    ]
    return joined(*tables) if tables else make_table(FeedTests, 0)


def gauges(*rows):
    """Performance readings from (unit, days ago, {field: value})."""
    tables = [
        make_table(PerformanceReadings, 1, unit_row=unit, read_at_d=NOW_D - days_ago, **values)
        for unit, days_ago, values in rows
    ]
    return joined(*tables) if tables else make_table(PerformanceReadings, 0)


def flushed(*rows):
    """Flushes from (unit, part_id, kind, days ago, ran_clear)."""
    tables = [
        make_table(
            Flushes,
            1,
            unit_row=unit,
            part_id=part_id,
            kind=int(kind),
            flushed_at_d=NOW_D - days_ago,
            ran_clear=clear,
        )
        for unit, part_id, kind, days_ago, clear in rows
    ]
    return joined(*tables) if tables else make_table(Flushes, 0)


def shard(*, of_units=None, readings=None, tests=None, parts=None, performance=None, flushes=None):
    """A shard from its tables; what is not given is empty."""
    return ShardColumns(
        units=of_units or units(),
        readings=readings or make_table(MeterReadings, 0),
        tests=tests or feed_tests(),
        parts=parts or make_table(Parts, 0),
        performance=performance or gauges(),
        flushes=flushes or flushed(),
    )


def assess(**tables) -> ShardFindings:
    """Findings of a hand-made shard."""
    return assess_shard(shard(**tables), NOW_D)
