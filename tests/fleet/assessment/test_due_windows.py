"""Ends of due windows: costs, and the best age where the fleet taught the spread of a life."""

from dataclasses import replace

import numpy as np
import pytest

from fleet.assessment.due_windows import best_shares, due_windows
from fleet.science.columns import Limit, PartRole
from fleet.science.economics import replacement_cost_rate
from tests.fleet.science.small_shard import NOW_D, assess, joined, part, shard, steady


def one_carbon(shape):
    carbon = part(
        PartRole.CARBON, rated_gal=20_000.0, learned_life_gal=20_000.0, learned_life_shape=shape,
        days_ago=60,
    )  # fmt: skip
    membrane = part(PartRole.MEMBRANE, part_id=1, place=1, days_ago=60)
    columns = shard(readings=steady(40.0), parts=joined(carbon, membrane))
    return columns.parts, columns


@pytest.fixture
def found():
    def _found(shape):
        parts, columns = one_carbon(shape)
        life = assess(**{"readings": columns.readings, "parts": parts}).life
        assert life.governing[0] == Limit.VOLUME
        return parts, life

    return _found


def test_the_best_share_is_the_least_of_the_cost_rate_on_a_fine_grid(found):
    """Barlow and Proschan's rate itself, searched without its derivative."""
    parts, life = found(3.0)
    share = best_shares(parts, life, np.array([40.0, 400.0]), np.array([300.0, 65.0]))[0]
    ages = np.linspace(0.05, 3, 5901)
    rate = replacement_cost_rate(ages, np.log(2) ** (-1 / 3), 3.0, 105.0, 405.0)
    assert share == pytest.approx(ages[rate.argmin()], abs=0.001)


def test_the_window_closes_at_the_best_age_and_not_without_a_learned_spread(found):
    parts, life = found(3.0)
    cost = np.array([40.0, 900.0])
    first, last = due_windows(parts, life, cost)
    unlearned = replace(parts, learned_life_shape=np.array([np.nan]))
    plain_first, plain_last = due_windows(unlearned, life, cost)
    assert first[0] == plain_first[0]
    assert first[0] <= last[0] < plain_last[0]
    assert last[0] > NOW_D


def test_a_life_that_does_not_wear_has_no_best_age(found):
    parts, life = found(0.9)
    assert np.isnan(best_shares(parts, life, np.array([40.0, 400.0]), np.array([300.0, 65.0]))).all()


def test_a_shard_without_parts_has_no_windows():
    parts = shard().parts
    life = assess().life
    assert [len(end) for end in due_windows(parts, life, np.zeros(0))] == [0, 0]
