"""Shares add up, and no stop carries more drive than it would have caused alone."""

from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduling.money.recurring import drive_weights, split_groups
from shared.money import split_cents

WEIGHTS = st.lists(st.integers(0, 1000), min_size=1, max_size=12).filter(lambda given: sum(given) > 0)


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(0, 10_000_000), WEIGHTS), max_size=6))
def test_the_shares_of_each_group_are_those_of_decimal_arithmetic_and_add_up(groups):
    totals = np.array([total for total, _ in groups], dtype=np.int64)
    rows = np.array([i for i, (_, weights) in enumerate(groups) for _ in weights], dtype=np.int64)
    weights = np.array([weight for _, some in groups for weight in some], dtype=np.float64)
    shares = split_groups(totals, rows, weights)
    for i, (total, some) in enumerate(groups):
        mine = shares[rows == i]
        assert mine.sum() == total
        exact = split_cents(Decimal(total) / 100, [Decimal(weight) for weight in some])
        # Ties of remainders may fall the other way in binary; never by more than a cent.
        assert max(abs(int(a) - int(b * 100)) for a, b in zip(mine, exact, strict=True)) <= 1


def test_a_group_without_weight_is_refused():
    with pytest.raises(ValueError, match="positive sum"):
        split_groups(np.array([100]), np.array([0, 0]), [0.0, 0.0])


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.floats(-50, 50), st.floats(-50, 50)), min_size=1, max_size=9),
    st.randoms(use_true_random=False),
)
def test_no_stop_carries_more_of_a_round_trip_than_its_own_trip_alone(places, random):
    order = list(places)
    random.shuffle(order)
    points = np.array([(0.0, 0.0), *order, (0.0, 0.0)])
    tour = float(np.hypot(*np.diff(points, axis=0).T).sum())
    alone = 2 * np.hypot(*points[1:-1].T)
    weights = drive_weights(alone, np.zeros(len(alone), dtype=np.int64))
    if alone.sum() > 1e-6:
        assert (tour * weights / weights.sum() <= alone + 1e-9).all()


def test_a_route_with_an_unknown_place_is_split_equally_and_leaves_the_others_alone():
    weights = drive_weights([10.0, np.nan, 30.0, 10.0], np.array([0, 0, 1, 1]))
    assert weights.tolist() == [1.0, 1.0, 30.0, 10.0]
