"""Meter faults are told apart, repaired and flagged."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleet.science.columns import UseFault, Water
from fleet.science.use import compute_use
from tests.fleet.science.labelled_meters import NO_GAUGES, NOW_D, draw_meters, found_labels, score
from tests.fleet.science.small_shard import joined, meter, steady, units

PER_KIND = 150
FLOORS = {
    False: dict.fromkeys(UseFault, (0.99, 0.99)),
    True: dict.fromkeys(UseFault, (0.96, 0.96)),
}
"""Precision and recall for weekly readings of even users, and for rough ones."""


@pytest.mark.parametrize("is_rough", [False, True], ids=["even", "rough"])
def test_each_kind_of_fault_is_found_with_stated_precision_and_recall(is_rough):
    """Labelled faults of every kind, drawn with fixed seeds; printed as a table (pytest -s)."""
    meters = draw_meters(PER_KIND, seed=11, is_rough=is_rough)
    _, faults, _ = compute_use(meters.units, meters.readings, NO_GAUGES, NOW_D)
    table = score(meters.label, found_labels(meters, faults))
    print(f"\n{'fault':14}{'intervals':>10}{'precision':>11}{'recall':>9}")
    for name, (count, precision, recall) in table.items():
        print(f"{name:14}{count:10d}{precision:11.4f}{recall:9.4f}")
    for kind, (least_precision, least_recall) in FLOORS[is_rough].items():
        count, precision, recall = table[kind.name]
        assert count >= PER_KIND
        assert precision >= least_precision, kind.name
        assert recall >= least_recall, kind.name


def test_clean_meters_have_no_fault():
    """Two thousand clean weekly meters raise nothing."""
    meters = draw_meters(300, seed=5)
    clean = np.flatnonzero((meters.label == 0).all(axis=1))
    _, faults, _ = compute_use(meters.units, meters.readings, NO_GAUGES, NOW_D)
    assert len(clean) >= 300
    assert not np.isin(faults.unit_row, clean).any()


def test_repaired_use_is_near_true_use_for_every_kind_of_fault():
    """Total of a year after repair against the truth: within 10 % for each unit, 1 % for each kind."""
    meters = draw_meters(PER_KIND, seed=17)
    _, _, curves = compute_use(meters.units, meters.readings, NO_GAUGES, NOW_D)
    bounds = curves.series_bounds
    series = np.arange(len(meters.label)) * 4 + int(Water.PERMEATE)
    first, last = bounds[series], bounds[series + 1] - 1
    counted = (curves.cumulated[last] - curves.cumulated[first]) / 2.0**20
    error = counted / meters.true_gal.sum(axis=1) - 1
    for kind in UseFault:
        has = (meters.label == kind).any(axis=1) if kind else (meters.label == 0).all(axis=1)
        assert np.abs(error[has]).max() < 0.10, kind.name
        assert abs(error[has].mean()) < 0.01, kind.name


@pytest.mark.parametrize(
    ("totals", "fault", "counted"),
    [
        ([99_300, 99_580, 99_860, 140, 420, 700], UseFault.ROLLOVER, 280),
        ([1000, 1280, 1560, 1280, 1560, 1840], UseFault.REVERSED, 280),
        ([9000, 9280, 9560, 9840, 200, 480], UseFault.SWAP, 280),
        ([9000, 9280, 9560, 98_400, 10_120, 10_400], UseFault.OUTLIER, 280),
        ([9000, 9280, 9560, 9840, 10_120, 99_999], UseFault.OUTLIER, 280),
        ([9000, 9280, 98_400, 98_400, 10_120, 10_400, 10_680], UseFault.OUTLIER, 280),
        ([9000, 9280, 956, 956, 10_120, 10_400, 10_680], UseFault.OUTLIER, 280),
    ],
)
def test_a_fault_is_counted_with_what_was_really_used(totals, fault, counted):
    """At 40 gal/day a week is 280 gal, whatever the register says."""
    readings = meter(np.array(totals, dtype=float), rollover=1e5)
    _, faults, _ = compute_use(units(), readings, NO_GAUGES, NOW_D)
    assert faults.fault[0] == fault
    assert faults.counted_gal[0] == pytest.approx(counted, rel=0.01)
    place = int(np.flatnonzero(readings.read_at_d == faults.read_at_d[0])[0])
    assert faults.raw_gal[0] == totals[place] - totals[place - 1]


def test_litres_entered_for_gallons_are_scaled_back():
    """The factor is the definition of the US gallon, 231 cubic inches."""
    litres = 231 * 2.54**3 / 1000
    totals = 1000 + 280.0 * np.arange(12)
    totals[6:9] *= litres
    _, faults, curves = compute_use(units(), meter(totals), NO_GAUGES, NOW_D)
    assert (faults.fault == UseFault.MEASURE_SLIP).all()
    assert len(faults.fault) == 4
    assert faults.counted_gal == pytest.approx([280.0] * 4)
    assert curves.cumulated[-1] / 2.0**20 == pytest.approx(280.0 * 11)


def test_a_recorded_swap_counts_mean_use_and_is_flagged():
    """Another meter number: the difference of the two registers means nothing."""
    totals = np.array([5000, 5280, 5560, 12.0, 292, 572])
    readings = meter(totals, meter_id=np.array([1, 1, 1, 2, 2, 2]))
    _, faults, _ = compute_use(units(), readings, NO_GAUGES, NOW_D)
    assert faults.fault.tolist() == [UseFault.SWAP]
    assert faults.counted_gal[0] == pytest.approx(280)


def test_a_standing_meter_is_stuck_when_the_other_meter_moves():
    """Feed moved while permeate stood: the permeate meter is stuck and mean use stands in."""
    moving = 280.0 * np.arange(20)
    standing = np.concatenate((moving[:12], np.full(8, moving[11])))
    readings = joined(meter(moving * 2.5, water=Water.FEED), meter(standing))
    use, faults, _ = compute_use(units(), readings, NO_GAUGES, NOW_D)
    assert (faults.fault == UseFault.STUCK).all()
    assert len(faults.fault) == 8
    assert faults.counted_gal == pytest.approx([280.0] * 8)
    assert np.isnan(use.still_from_d[0])


def test_a_month_away_is_no_stuck_meter_and_nothing_was_used():
    """Five weekly readings alike, then use as before; read to 35 days nobody can know better."""
    totals = 280.0 * np.arange(30)
    totals[12:] -= 5 * 280.0
    totals[12:17] = totals[11]
    _, faults, curves = compute_use(units(), meter(totals), NO_GAUGES, NOW_D)
    assert len(faults.fault) == 0
    assert (curves.cumulated[-1] - curves.cumulated[0]) / 2.0**20 == pytest.approx(totals[-1] - totals[0])


def test_a_month_in_which_the_other_meter_moved_is_a_stuck_one():
    moving = 280.0 * np.arange(30)
    totals = moving.copy()
    totals[12:] -= 4 * 280.0
    totals[12:16] = totals[11]
    readings = joined(meter(moving * 2.5, water=Water.FEED), meter(totals))
    _, faults, _ = compute_use(units(), readings, NO_GAUGES, NOW_D)
    assert faults.fault.tolist() == [UseFault.STUCK] * 4


def test_a_register_that_catches_up_is_spread_and_not_counted_twice():
    """The same total was sent ten weeks long, then the true one."""
    totals = 9000 + 280.0 * np.arange(30)
    sent = totals.copy()
    sent[12:22] = totals[11]
    _, faults, curves = compute_use(units(), meter(sent), NO_GAUGES, NOW_D)
    assert (faults.fault == UseFault.STUCK).all()
    assert faults.counted_gal == pytest.approx([280.0] * 11)
    assert (curves.cumulated[-1] - curves.cumulated[0]) / 2.0**20 == pytest.approx(totals[-1] - totals[0])


def test_a_unit_whose_meters_all_stand_is_idle_and_not_faulty():
    """Both stood for eight weeks: nothing was used and no meter is at fault."""
    moving = 280.0 * np.arange(20)
    standing = np.concatenate((moving[:12], np.full(8, moving[11])))
    readings = joined(meter(standing * 2.5, water=Water.FEED), meter(standing))
    use, faults, _ = compute_use(units(), readings, NO_GAUGES, NOW_D)
    assert len(faults.fault) == 0
    assert use.still_from_d[0] == NOW_D - 56
    assert use.still_to_d[0] == NOW_D
    assert use.last_ran_at_d[0] == NOW_D - 56


def test_a_meter_standing_one_week_is_believed():
    """A week away is no fault."""
    totals = 280.0 * np.arange(20)
    totals[10:] -= 280.0
    _, faults, _ = compute_use(units(), meter(totals), NO_GAUGES, NOW_D)
    assert len(faults.fault) == 0


def test_unsorted_readings_are_refused():
    """A clear error, not a wrong figure."""
    readings = steady(40.0)
    readings.read_at_d[3], readings.read_at_d[4] = readings.read_at_d[4], readings.read_at_d[3]
    with pytest.raises(ValueError, match="sorted"):
        compute_use(units(), readings, NO_GAUGES, NOW_D)


@settings(max_examples=150, deadline=None)
@given(
    totals=st.lists(st.one_of(st.floats(-1e3, 1e6), st.sampled_from([0.0, 5.0, 1e15, np.nan])), max_size=25),
    gaps=st.lists(st.sampled_from([0.0, 0.01, 1.0, 7.0, 400.0]), min_size=25, max_size=25),
    meters=st.lists(st.integers(1, 2), min_size=25, max_size=25),
    design=st.sampled_from([0.0, 40.0, np.nan]),
)
def test_no_register_however_absurd_breaks_the_count(totals, gaps, meters, design):
    """Use is never negative; whatever was entered, there is an answer and no warning."""
    readings = meter(np.array(totals, dtype=float), meter_id=np.array(meters[: len(totals)], dtype=int))
    readings = replace(readings, read_at_d=NOW_D - 5 - np.cumsum(gaps[: len(totals)])[::-1])
    of_units = units(design_use_gal_per_day=design, design_permeate_gpm=np.nan)
    use, faults, curves = compute_use(of_units, readings, NO_GAUGES, NOW_D)
    assert (np.diff(curves.cumulated) >= 0).all()
    assert (faults.counted_gal >= 0).all()
    assert use.permeate_gal_per_day[0] >= 0 or np.isnan(use.permeate_gal_per_day[0])


def test_a_meter_read_every_hour_is_judged_as_well():
    """Half a year of hours, nights without use, one typing error and one stretch in litres."""
    hour = np.arange(24 * 180)
    totals = np.cumsum(np.where((hour % 24 > 6) & (hour % 24 < 23), 2.5, 0.0))
    totals[1000] *= 10
    totals[3000:3020] *= 231 * 2.54**3 / 1000
    readings = meter(totals, every=1 / 24)
    use, faults, _ = compute_use(units(), readings, NO_GAUGES, NOW_D)
    kinds = np.bincount(faults.fault, minlength=len(UseFault))
    assert kinds[UseFault.OUTLIER] == 2
    assert kinds[UseFault.MEASURE_SLIP] == 21
    assert kinds.sum() == 23
    assert use.permeate_gal_per_day[0] == pytest.approx(40.0, rel=0.02)
