"""A few readings stand for an old day of a meter that gives many, and no fall of a register is lost by it."""

from random import Random

import numpy as np
import pytest

from fleet.science.day_readings import FEW, YOUNG_DAYS, first_young_day, stands_for_its_day


def chosen(meter_id, at_d, total):
    meter_id, at_d, total = np.array(meter_id), np.array(at_d, dtype=float), np.array(total, dtype=float)
    return stands_for_its_day(meter_id, at_d, total, first_young_day(np.zeros_like(meter_id), at_d))


def a_day(total, day=0):
    """One meter's readings of an old day, evenly spaced, with one read long after."""
    at = day + np.arange(len(total)) / len(total)
    picked = chosen([1] * (len(total) + 1), [*at, day + 100], [*total, 1e6])
    assert picked[-1]
    return picked[:-1]


def test_a_register_that_only_rises_is_told_by_its_first_and_last():
    assert np.flatnonzero(a_day(np.arange(24) * 3.0)).tolist() == [0, 23]


def test_days_of_few_readings_and_young_days_keep_all():
    assert a_day([1, 2, 3, 4][:FEW]).all()
    at = np.arange(24) / 24 + 1000
    late = at[0] + YOUNG_DAYS + 0.99
    assert chosen([1] * 25, [*at, late], [*range(24), 99]).all()
    assert chosen([1] * 25, [*at, at[0] + YOUNG_DAYS + 1], [*range(24), 99]).sum() == 3


@pytest.mark.parametrize("seed", range(30))
def test_first_last_lowest_highest_and_the_largest_fall_are_among_them(seed):
    random = Random(seed)
    total = np.cumsum([random.choice([0.0, 1.0, 2.0, -3.0, 5.0]) for _ in range(random.randint(5, 48))]) + 500
    picked = a_day(total)
    left = total[picked]
    assert picked[0]
    assert picked[-1]
    assert left.min() == total.min()
    assert left.max() == total.max()
    assert -np.diff(left).min(initial=0) >= -np.diff(total).min(initial=0)
    assert (np.diff(left) < 0).any() == (np.diff(total) < 0).any()
    assert picked.sum() <= 6


def test_a_small_jump_back_within_the_days_range_is_seen():
    total = np.arange(24) * 10.0
    total[12:] -= 15
    left = total[a_day(total)]
    assert np.diff(left).min() == pytest.approx(-5)


@pytest.mark.parametrize("seed", range(10))
def test_the_order_of_rows_and_the_other_meters_do_not_matter(seed):
    rng = np.random.default_rng(seed)
    rows = 400
    meter, at = rng.integers(0, 3, rows), rng.permutation(rows) / 100.0
    at[0], total = 200.0, rng.normal(500, 20, rows)
    picked = chosen(meter, at, total)
    order = rng.permutation(rows)
    assert (chosen(meter[order], at[order], total[order]) == picked[order]).all()
    mine = meter == 1
    mine[0] = True
    alone = chosen(meter[mine], at[mine], total[mine])
    assert (alone == picked[mine]).all()


def test_nothing_is_nothing():
    assert not len(chosen(np.zeros(0, dtype=np.int64), [], []))
