"""What a plan earns in a month, to the cent. Plain arithmetic; no database."""

import calendar
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import lru_cache
from itertools import pairwise
from typing import Final

from shared.money import split_cents, to_cents
from shared.periods import add_months, month_start

MONTHS_OF: Final = {"month": 1, "quarter": 3, "year": 12}
"""Months in a plan's interval."""


@dataclass(frozen=True)
class DatedPrice:
    """The price of one interval from a day on."""

    from_on: date
    amount: Decimal


@dataclass(frozen=True)
class Discount:
    """Days on which a plan earns less; a pause is one of 100 %."""

    from_on: date
    to_on: date | None
    """First day after it; None when it goes on."""
    percent_off: Decimal


def month_shares(price: Decimal, interval: str) -> tuple[Decimal, ...]:
    """Return the price of an interval split over its months; the pieces add up to it to the cent."""
    return _shares(price, MONTHS_OF[interval])


def earned_in(
    month: date,
    *,
    interval: str,
    starts_on: date,
    ends_on: date | None,
    prices: Sequence[DatedPrice],
    discounts: Sequence[Discount] = (),
) -> Decimal:
    """
    Return what a plan earns in a month.

    Parameters
    ----------
    month : its first day.
    ends_on : the first day not covered.
    prices : by rising day; before the first the plan earns nothing.
    discounts : discounts and pauses; of several on one day the largest counts.

    Notes
    -----
    A quarter's or year's price is split over its months, counted from the month the plan starts in, so that a
    whole interval earns its price to the cent. A month covered in part earns by the day: its share is split
    over the days before, in and after the covered stretch; the largest remainders get the cents left over,
    the earlier stretch first. So two stretches that make up a month at one price make up its share. What a
    discount takes off is taken off its own stretch of days, and the rest rounded half up to the cent.
    """
    after = add_months(month, 1)
    first = max(month, starts_on)
    last = after if ends_on is None else min(after, ends_on)
    if first >= last:
        return Decimal("0.00")
    place = (month.year - starts_on.year) * 12 + month.month - starts_on.month
    days = calendar.monthrange(month.year, month.month)[1]
    total = Decimal("0.00")
    for index, price in enumerate(prices):
        until = prices[index + 1].from_on if index + 1 < len(prices) else date.max
        begins, ends = max(first, price.from_on), min(last, until)
        if begins >= ends:
            continue
        shares = month_shares(price.amount, interval)
        share = shares[place % len(shares)]
        for some, other, percent_off in _discounted(begins, ends, discounts):
            amount = _stretch(share, (some - month).days, (other - month).days, days)
            total += to_cents(amount * (1 - percent_off / 100)) if percent_off else amount
    return total


def months_of(starts_on: date, ends_on: date | None, through: date) -> list[date]:
    """Return the months a plan covers a day of, up to the month of ``through``."""
    months = []
    month = month_start(starts_on)
    while month <= through and (ends_on is None or month < ends_on):
        months.append(month)
        month = add_months(month, 1)
    return months


def _discounted(begins: date, ends: date, discounts: Sequence[Discount]) -> list[tuple[date, date, Decimal]]:
    """Cut a stretch of days where discounts begin and end; return the pieces with what is taken off each."""
    if not discounts:
        return [(begins, ends, Decimal(0))]
    bounds = {day for discount in discounts for day in (discount.from_on, discount.to_on) if day}
    cuts = [begins, *sorted(day for day in bounds if begins < day < ends), ends]
    return [(some, other, _most_off(some, discounts)) for some, other in pairwise(cuts)]


def _most_off(day: date, discounts: Sequence[Discount]) -> Decimal:
    runs = [one for one in discounts if one.from_on <= day and (one.to_on is None or day < one.to_on)]
    return max((one.percent_off for one in runs), default=Decimal(0))


@lru_cache(maxsize=4096)
def _shares(price: Decimal, months: int) -> tuple[Decimal, ...]:
    return tuple(split_cents(price, [Decimal(1)] * months))


@lru_cache(maxsize=65536)
def _stretch(share: Decimal, first: int, last: int, days: int) -> Decimal:
    """Return the part of a month's share from day ``first`` to before day ``last``, counted from 0."""
    if (first, last) == (0, days):
        return share
    weights = [Decimal(first), Decimal(last - first), Decimal(days - last)]
    return split_cents(share, weights)[1]
