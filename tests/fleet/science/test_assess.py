"""The whole shard: independence of neighbours, emptiness, settings."""

from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.science.assess import assess_shard, cut_columns
from fleet.science.columns import MeterReadings, Parts, UseFault
from fleet.science.settings import AssessmentSettings, ReadinessSettings, UseSettings, WearSettings
from tests.benchmarks.synthetic_shard import make_shard, make_table
from tests.fleet.science.labelled_meters import NOW_D, draw_meters

SHARD = make_shard(60, 30, seed=8, now_d=NOW_D)
TABLES = ("use", "life", "readiness", "performance", "faults", "series")


def with_faults():
    """The invented shard with faulty meters in place of its own."""
    meters = draw_meters(10, seed=23)
    columns = make_shard(len(meters.label), 30, seed=9, now_d=NOW_D)
    return replace(columns, readings=meters.readings)


FAULTY = with_faults()


def same(whole, pieces, begins, part_begins):
    """Assert that two lots of findings hold the same bits."""
    for name in TABLES:
        for item in fields(getattr(whole, name)):
            left = getattr(getattr(whole, name), item.name)
            parts = [getattr(getattr(piece, name), item.name) for piece in pieces]
            if item.name == "unit_row":
                parts = [part + begin for part, begin in zip(parts, begins, strict=True)]
            if item.name == "owed_part_row":
                parts = [
                    np.where(part >= 0, part + begin, -1)
                    for part, begin in zip(parts, part_begins, strict=True)
                ]
            assert left.tobytes() == np.concatenate(parts).tobytes(), f"{name}.{item.name}"


@settings(max_examples=15, deadline=None)
@given(cut=st.integers(1, 59), is_faulty=st.booleans())
def test_a_shard_split_in_two_gives_the_same_bits(cut, is_faulty):
    """A unit's rows don't depend on its neighbours."""
    columns = FAULTY if is_faulty else SHARD
    count = len(columns.units.unit_id)
    pieces = [
        assess_shard(cut_columns(columns, begin, end), NOW_D) for begin, end in ((0, cut), (cut, count))
    ]
    part_cut = int(np.searchsorted(columns.parts.unit_row, cut))
    same(assess_shard(columns, NOW_D), pieces, (0, cut), (0, part_cut))


def test_working_on_fewer_units_at_once_gives_the_same_bits():
    """Seven at a time."""
    few = assess_shard(FAULTY, NOW_D, AssessmentSettings(units_at_once=7))
    same(assess_shard(FAULTY, NOW_D), [few], (0,), (0,))
    assert (np.bincount(few.faults.fault, minlength=len(UseFault))[1:] > 0).all()


@pytest.mark.parametrize("units", [0, 1, 3])
def test_shards_of_nothing_are_assessed_without_a_warning(units):
    """No unit; units without a part, a reading or a test. Warnings are errors here."""
    empty = make_shard(0, 0, seed=1)
    columns = replace(empty, units=make_shard(units, 0, seed=1).units)
    found = assess_shard(columns, NOW_D)
    assert len(found.use.recovery) == units
    assert len(found.life.wear) == 0
    assert found.life.wear_by_limit.shape == (0, 8)
    assert len(found.readiness.state) == units


def test_a_shard_with_unknown_numbers_everywhere_is_assessed_without_a_warning():
    """Every number column of units, parts and gauges NaN."""

    def unknown(table):
        columns = {}
        for name, column in vars(table).items():
            columns[name] = np.full_like(column, np.nan) if column.dtype == np.float64 else column
        return type(table)(**columns)

    columns = replace(
        SHARD,
        units=unknown(SHARD.units),
        parts=unknown(SHARD.parts),
        performance=replace(unknown(SHARD.performance), read_at_d=SHARD.performance.read_at_d),
    )
    found = assess_shard(columns, NOW_D)
    assert np.isnan(found.life.wear).all()
    assert np.isfinite(found.use.permeate_gal_per_day).all()


DATES = {"read_at_d", "sampled_at_d", "flushed_at_d"}
MEMBRANE_CONSTANTS = {"temperature_k_below_25", "temperature_k_from_25"}


def spoil(rng, share, columns, names):
    """Blank, zero, negate or enlarge a share of the cells of number columns, in place."""
    for name in sorted(names):
        if columns[name].dtype == np.float64:
            bad = rng.random(len(columns[name])) < share
            columns[name][bad] = rng.choice([np.nan, 0.0, -3.0, 1e9], int(bad.sum()))


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10_000), share=st.floats(0.05, 0.6))
def test_numbers_missing_or_absurd_anywhere_break_nothing(seed, share):
    """Cells of every table blanked, zeroed, negated or enlarged at random; life stays a life."""
    rng = np.random.default_rng(seed)
    columns = make_shard(8, 12, seed=seed, now_d=NOW_D)
    gauges = {"sediment_inlet_psi", "sediment_outlet_psi", "chlorine_after_carbon_mg_l"}
    spoil(rng, share, vars(columns.performance), gauges)
    for table in (columns.units, columns.parts, columns.tests, columns.flushes):
        spoil(rng, share, vars(table), vars(table).keys() - DATES - MEMBRANE_CONSTANTS)
    life = assess_shard(columns, NOW_D).life
    assert (np.isnan(life.wear) | (life.wear >= 0)).all()
    dated = np.isfinite(life.early_d)
    assert (life.early_d[dated] <= life.likely_d[dated]).all()
    assert (life.likely_d[dated] <= life.late_d[dated]).all()
    assert (np.isfinite(life.likely_d) <= (life.governing >= 0)).all()


def test_findings_have_one_row_per_unit_and_part():
    """And dates in order."""
    found = assess_shard(SHARD, NOW_D)
    assert len(found.life.wear) == len(SHARD.parts.part_id)
    for table in (found.use, found.readiness, found.performance):
        assert all(len(column) == 60 for column in vars(table).values())
    open_ended = found.life.is_measured_well
    assert (np.isnan(found.life.likely_d) == open_ended).all()
    assert (found.life.early_d <= found.life.likely_d)[~open_ended].all()
    assert (found.life.likely_d <= found.life.late_d)[~open_ended].all()
    assert (found.life.governing >= 0).all()


@pytest.mark.parametrize(
    ("kind", "wrong"),
    [
        (UseSettings, {"half_life_days": 0}),
        (WearSettings, {"horizon_days": -1}),
        (WearSettings, {"least_halvings": 7.0}),
        (ReadinessSettings, {"flush_gpm": 0.0}),
        (AssessmentSettings, {"units_at_once": 0}),
    ],
)
def test_settings_out_of_range_are_refused(kind, wrong):
    """By name."""
    with pytest.raises(ValueError, match=next(iter(wrong))):
        kind(**wrong)


def test_a_column_that_does_not_exist_is_refused_by_the_table_maker():
    """By name."""
    with pytest.raises(TypeError, match="colour"):
        make_table(Parts, 1, colour=3)
    assert len(make_table(MeterReadings, 0).unit_row) == 0
