"""Late work that need not be late gets its better day, by planning that day from what must be done on it."""

import time
from datetime import timedelta

import numpy as np
import pytest

from scheduling.planning.neighbourhoods import TROUBLE, Search
from scheduling.planning.swap_move import better_days, in_trouble, stripped
from scheduling.planning.tables import build_tables
from scheduling.planning.timing import placed_slots
from tests.scheduling.planning.small import MONDAY, TUESDAY, order, person, spot, week

SITE = spot("site", 5)
TODAY, TOMORROW = 0, 1


@pytest.fixture
def jam():
    """Ann alone may do the skilled order, due Monday, and does it late: her Monday is full of what Bob could
    do, and must be done; his is full of what could wait."""
    orders = [
        *(order(f"must{n}", SITE, minutes=100, last=MONDAY) for n in range(4)),
        *(order(f"wait{n}", SITE, minutes=100, last=TUESDAY) for n in range(4)),
        order("skilled", SITE, minutes=100, last=MONDAY, skills=frozenset({"a"})),
    ]
    problem = week([person("ann", skills=["a"]), person("bob")], orders, days=(MONDAY, TUESDAY))
    tables = build_tables(problem)
    slot = {(tables.slots[n].technician, tables.slots[n].day): n for n in range(4)}
    number = tables.number_of
    plan = {
        slot[0, TODAY]: tuple(number[f"must{n}"] for n in range(4)),
        slot[1, TODAY]: tuple(number[f"wait{n}"] for n in range(4)),
        slot[0, TOMORROW]: (number["skilled"],),
    }
    return tables, plan


def days_of(tables, plan):
    return {tables.jobs[job].id: tables.slots[number].day for job, number in placed_slots(plan).items()}


def test_the_late_order_is_found_with_its_better_day(jam):
    tables, plan = jam
    assert [tables.jobs[job].id for job in in_trouble(tables, plan)] == ["skilled"]
    assert better_days(tables, plan, tables.number_of["skilled"]) == [TODAY]


def test_only_what_must_be_done_that_day_stays_on_it(jam):
    tables, plan = jam
    must, start = stripped(tables, plan, TODAY, {tables.number_of["skilled"]})
    assert {tables.jobs[job].id for job in must} == {"skilled", *(f"must{n}" for n in range(4))}
    assert set(days_of(tables, start)) == {f"must{n}" for n in range(4)}


def test_it_comes_in_time_and_nothing_else_becomes_late_or_is_left_out(jam):
    tables, plan = jam
    search = Search(
        tables, 1, time.perf_counter() + 60, 60, 200, lambda: False, lambda share, words: None, plan
    )
    before = search.cost_s
    assert TROUBLE.look(search, np.random.default_rng(1))
    placed = days_of(tables, search.plan)
    assert len(placed) == 9
    assert in_trouble(tables, search.plan) == []
    assert placed["skilled"] == TODAY
    assert search.cost_s < before
    assert not TROUBLE.look(search, np.random.default_rng(2))


def test_work_that_no_day_could_do_in_time_is_not_in_trouble():
    late = order("late", SITE, first=MONDAY - timedelta(days=9), last=MONDAY - timedelta(days=2))
    tables = build_tables(week([person()], [late], days=(MONDAY,)))
    assert in_trouble(tables, {0: (0,)}) == []
