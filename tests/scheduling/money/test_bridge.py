"""The bridge of recurring revenue adds up to the cent, whatever the plans."""

from datetime import date
from decimal import ROUND_HALF_UP, Decimal

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from scheduling.money.recurring import MOVES, NEVER_D, PlanColumns, bridge, grouped, standing_on

DAYS = st.integers(0, 120)


@st.composite
def some_plans(draw) -> PlanColumns:
    count = draw(st.integers(0, 8))
    terms = [(draw(DAYS), draw(st.one_of(st.none(), st.integers(1, 120)))) for _ in range(count)]
    prices, periods = [], []
    for row in range(count):
        for day in sorted(draw(st.sets(DAYS, max_size=3))):
            prices.append((row, day, draw(st.integers(0, 999_999))))
        for _ in range(draw(st.integers(0, 2))):
            begins, is_pause = draw(DAYS), draw(st.booleans())
            off = 10_000 if is_pause else draw(st.integers(1, 10_000))
            periods.append((row, begins, begins + draw(st.integers(1, 60)), off, is_pause))
    return columns(
        months=[draw(st.sampled_from([1, 3, 12])) for _ in range(count)],
        starts=[begins for begins, _ in terms],
        ends=[NEVER_D if lasts is None else begins + lasts for begins, lasts in terms],
        prices=prices,
        periods=periods,
    )


def columns(months, starts, ends, prices, periods=()) -> PlanColumns:
    price = np.array(prices, dtype=np.int64).reshape(-1, 3)
    period = np.array([row[:4] for row in periods], dtype=np.int64).reshape(-1, 4)
    return PlanColumns(
        plan_id=np.arange(len(months)),
        months=np.array(months, dtype=np.int64),
        starts_d=np.array(starts, dtype=np.int64),
        ends_d=np.array(ends, dtype=np.int64),
        price_plan_row=price[:, 0],
        price_from_d=price[:, 1],
        price_cents=price[:, 2],
        period_plan_row=period[:, 0],
        period_from_d=period[:, 1],
        period_to_d=period[:, 2],
        period_off=period[:, 3],
        period_is_pause=np.array([row[4] for row in periods], dtype=np.bool_),
    )


@settings(max_examples=300, deadline=None)
@given(some_plans(), DAYS, DAYS, st.integers(0, 10_000))
def test_start_and_moves_add_up_to_the_end_for_every_plan_group_and_in_total(plans, one, other, seed):
    found = bridge(standing_on(plans, one), standing_on(plans, other))
    assert (found.start + sum(found.moves[name] for name in MOVES) == found.end).all()
    assert (sum((found.moves[name] != 0).astype(int) for name in MOVES) <= 1).all()
    group = np.random.default_rng(seed).integers(0, 3, len(plans.plan_id))
    by_group = grouped(found, group, 3)
    assert (by_group.start + sum(by_group.moves.values()) == by_group.end).all()
    for name in MOVES:
        assert by_group.moves[name].sum() == found.moves[name].sum()
    assert by_group.end.sum() == found.end.sum() == standing_on(plans, other).cents.sum()


@settings(max_examples=200, deadline=None)
@given(some_plans(), DAYS)
def test_what_a_plan_brings_is_what_decimal_arithmetic_by_hand_says(plans, day):
    found = standing_on(plans, day)
    for row in range(len(plans.plan_id)):
        price = Decimal(0)
        for plan_row, begins, cents in zip(
            plans.price_plan_row, plans.price_from_d, plans.price_cents, strict=True
        ):
            if plan_row == row and begins <= day:
                price = Decimal(int(cents)) / 100
        off = Decimal(0)
        paused = False
        for i in np.flatnonzero(plans.period_plan_row == row):
            if plans.period_from_d[i] <= day < plans.period_to_d[i]:
                off = max(off, Decimal(int(plans.period_off[i])) / 10_000)
                paused |= bool(plans.period_is_pause[i])
        monthly = price * (1 - off) / int(plans.months[row])
        expected = monthly.quantize(Decimal("0.01"), rounding=ROUND_HALF_UP)
        if paused or not plans.starts_d[row] <= day < plans.ends_d[row]:
            expected = Decimal(0)
        assert Decimal(int(found.cents[row])) / 100 == expected


def _day(text: str) -> int:
    return (date.fromisoformat(text) - date(1970, 1, 1)).days


def test_each_kind_of_move_is_told_from_the_others():
    before, after = _day("2026-09-30"), _day("2026-10-31")
    long_ago, in_october = _day("2020-01-01"), _day("2026-10-10")
    starts = [in_october, long_ago, long_ago, long_ago, long_ago, long_ago]
    ends = [NEVER_D, NEVER_D, NEVER_D, NEVER_D, NEVER_D, in_october]
    prices = [
        (0, in_october, 5000),
        (1, long_ago, 5000), (1, in_october, 5300),
        (2, long_ago, 5000),
        (3, long_ago, 5000),
        (4, long_ago, 5000),
        (5, long_ago, 5000),
    ]  # fmt: skip
    periods = [
        (2, _day("2026-08-01"), in_october, 10_000, True),
        (3, in_october, NEVER_D, 1_000, False),
        (4, in_october, NEVER_D, 10_000, True),
    ]
    plans = columns([1] * 6, starts, ends, prices, periods)
    found = bridge(standing_on(plans, before), standing_on(plans, after))
    assert {name: int(cents.sum()) for name, cents in found.moves.items()} == {
        "new": 5000, "grown": 300, "resumed": 5000, "shrunk": -500, "paused": -5000, "lost": -5000,
    }  # fmt: skip
    assert (found.start.sum(), found.end.sum()) == (20_000, 19_800)


def test_a_plan_that_ends_while_paused_moves_nothing_that_month():
    plans = columns([1], [0], [50], [(0, 0, 100)], [(0, 10, 60, 10_000, True)])
    found = bridge(standing_on(plans, 40), standing_on(plans, 55))
    assert found.start.sum() == found.end.sum() == 0
    assert not any(cents.any() for cents in found.moves.values())
