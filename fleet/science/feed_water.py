"""Which feed-water test is in force when, and what the water carried past since.

When the water of each treatment unit was last tested.
"""

from dataclasses import dataclass

import numpy as np

from fleet.science.columns import FeedTests, Flags, Floats, Ints, ShardColumns, Units, Water
from fleet.science.curves import UseCurves, gallons_at
from fleet.science.series import from_fixed, group_bounds, latest_true_row, time_key, to_fixed
from fleet.science.settings import WearSettings

FREE_CHLORINE, CHLORAMINE, HARDNESS = "free_chlorine_mg_l", "chloramine_mg_l", "hardness_mg_l"
_MAY_BE_NEGATIVE = "temperature_c"
CARRIED = (FREE_CHLORINE, CHLORAMINE, HARDNESS)
"""What is integrated over use."""


@dataclass(frozen=True)
class TestIndex:
    """Feed tests made ready for look-ups; the same for every part of a shard."""

    __test__ = False
    tests: FeedTests
    bounds: Ints
    """(sources + 1,) first row of each source."""
    key: Ints

    nearest: dict[str, tuple[Ints, Ints]]
    """Per field of ``CARRIED``: for each test the newest row up to it, and the first row from it on, that has
    the field, of any source; -1 and the row count where there is none."""

    def rows_with(self, field: str) -> tuple[Ints, Ints]:
        """Return the entry of ``nearest``, worked out for a field that has none."""
        return self.nearest[field] if field in self.nearest else _nearest(self.tests, field)


def _nearest(tests: FeedTests, field: str) -> tuple[Ints, Ints]:
    values = getattr(tests, field)
    known: Flags = np.isfinite(values) & ((values >= 0) | (field == _MAY_BE_NEGATIVE))
    rows = np.where(known, np.arange(len(known)), len(known))
    return latest_true_row(known), np.minimum.accumulate(rows[::-1])[::-1]


def index_tests(tests: FeedTests) -> TestIndex:
    """
    Prepare the tests of a shard.

    Parameters
    ----------
    tests : FeedTests
        Sorted by source and time.

    Returns
    -------
    TestIndex
        The same tests with their look-up keys.

    Raises
    ------
    ValueError
        When rows are not sorted.
    """
    key = time_key(tests.source_row, tests.sampled_at_d)
    if (np.diff(key) < 0).any():
        raise ValueError("Feed tests must be sorted by source_row, sampled_at_d.")
    sources = int(tests.source_row[-1]) + 1 if len(tests.source_row) else 0
    nearest = {field: _nearest(tests, field) for field in CARRIED}
    return TestIndex(tests, group_bounds(tests.source_row, sources), key, nearest)


def value_in_force(
    index: TestIndex, field: str, site_row: Ints, supply_row: Ints, at_d: Floats, rules: WearSettings
) -> Floats:
    """
    Return a field's value in force at a moment.

    Parameters
    ----------
    index : TestIndex
        Prepared tests.
    field : str
        A number column of ``FeedTests``.
    site_row : array (n,)
        Source of the site's own tests, -1 for none.
    supply_row : array (n,)
        Source of the supply's tests, -1 for none.
    at_d : array (n,)
        Moments. [day]
    rules : WearSettings
        How long a site's own test goes first.

    Returns
    -------
    array (n,)
        In this order: the site's newest value not older than ``site_test_lasts_days``; the supply's newest;
        the site's older one; before any test, the first one known. NaN where neither source has the field.
    """
    values, sampled = getattr(index.tests, field), index.tests.sampled_at_d
    if len(values) == 0:
        return np.full(len(at_d), np.nan)
    site, site_first = _rows_in_force(index, field, site_row, at_d)
    supply, supply_first = _rows_in_force(index, field, supply_row, at_d)
    fresh = (site >= 0) & (at_d - sampled[site] < rules.site_test_lasts_days)
    row = np.select(
        [fresh, supply >= 0, site >= 0, site_first >= 0], [site, supply, site, site_first], supply_first
    )
    return np.where(row >= 0, values[row], np.nan)


def _rows_in_force(index: TestIndex, field: str, source: Ints, at_d: Floats) -> tuple[Ints, Ints]:
    """Newest row with the field up to a moment, and the first at all; -1 for none."""
    newest_known, following = index.rows_with(field)
    inside = (source >= 0) & (source < len(index.bounds) - 1)
    safe = np.where(inside, source, 0)
    begin, end = index.bounds[safe], index.bounds[safe + 1]
    row = np.searchsorted(index.key, time_key(safe, at_d), side="right") - 1
    newest = newest_known[np.clip(row, 0, None)]
    newest = np.where(inside & (row >= begin) & (newest >= begin), newest, -1)
    first = following[np.minimum(begin, len(following) - 1)]
    first = np.where(inside & (begin < end) & (first < end), first, -1)
    return newest, first


@dataclass(frozen=True)
class FeedHistory:
    """Stretches of constant feed water of each treatment unit, and what they carried."""

    bounds: Ints
    """(units + 1,) first stretch of each unit."""
    key: Ints
    unit_row: Ints
    begins_d: Floats
    feed_gal: Floats
    """Cumulated feed at the begin of the stretch, as ``gallons_at``. [gal]"""
    value: dict[str, Floats]
    """Per field of ``CARRIED``, the value in force. [mg/L]"""
    carried: dict[str, Ints]
    """Per field, whole steps of gallons × mg/L up to the begin; differences inside a unit count."""
    lasted: Ints
    """Whole steps of days × hardness up to the begin."""


def feed_history(
    index: TestIndex, units: Units, curves: UseCurves, now_d: float, rules: WearSettings
) -> FeedHistory:
    """
    Cut each treatment unit's past into stretches with one test in force, and integrate over them.

    Parameters
    ----------
    index : TestIndex
        Prepared tests.
    units : Units
        Treatment units and their sources.
    curves : UseCurves
        Cumulated feed.
    now_d : float
        Later tests are left out. [day]
    rules : WearSettings
        How long a site's own test goes first.

    Returns
    -------
    FeedHistory
        Every unit has at least one stretch, that begins in 1970.

    Notes
    -----
    Exact for use that is straight between readings and water that changes in steps at the tests.
    """
    unit_row, begins_d = _break_points(index, units, now_d, rules)
    count = len(units.unit_id)
    feed = np.full(len(unit_row), int(Water.FEED), dtype=np.int64)
    feed_gal = gallons_at(curves, unit_row, feed, begins_d)
    site, supply = units.site_source_row[unit_row], units.supply_source_row[unit_row]
    bounds = group_bounds(unit_row, count)
    value = {name: value_in_force(index, name, site, supply, begins_d, rules) for name in CARRIED}
    carried = {name: _summed(unit_row, feed_gal, value[name]) for name in CARRIED}
    lasted = _summed(unit_row, begins_d, value[HARDNESS])
    return FeedHistory(
        bounds, time_key(unit_row, begins_d), unit_row, begins_d, feed_gal, value, carried, lasted
    )


def _summed(unit_row: Ints, position: Floats, value: Floats) -> Ints:
    """Running integral of a step function over position, up to each stretch's begin."""
    piece = np.zeros(len(position))
    piece[1:] = np.where(unit_row[1:] == unit_row[:-1], np.diff(position) * value[:-1], 0.0)
    summed: Ints = np.cumsum(to_fixed(piece))
    return summed


def _break_points(index: TestIndex, units: Units, now_d: float, rules: WearSettings) -> tuple[Ints, Floats]:
    """Moments at which another test may come into force, sorted by unit and time."""
    count = len(units.unit_id)
    everyone = np.arange(count, dtype=np.int64)
    site_unit, site_row = _expand(index, units.site_source_row)
    supply_unit, supply_row = _expand(index, units.supply_source_row)
    sampled = index.tests.sampled_at_d
    unit = np.concatenate((everyone, site_unit, site_unit, supply_unit))
    at_d = np.concatenate(
        (
            np.zeros(count),
            sampled[site_row],
            sampled[site_row] + rules.site_test_lasts_days,
            sampled[supply_row],
        )
    )
    past = at_d <= now_d
    unit, at_d = unit[past], at_d[past]
    order = np.argsort(time_key(unit, at_d), kind="stable")
    return unit[order], at_d[order]


def _expand(index: TestIndex, source: Ints) -> tuple[Ints, Ints]:
    """Pair every unit with every test of its source."""
    inside = (source >= 0) & (source < len(index.bounds) - 1)
    safe = np.where(inside, source, 0)
    if len(index.bounds) < 2:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    begin = index.bounds[safe]
    length = np.where(inside, index.bounds[safe + 1] - begin, 0)
    unit = np.repeat(np.arange(len(source), dtype=np.int64), length)
    ends = np.cumsum(length)
    row = np.arange(len(unit)) - np.repeat(ends - length, length) + np.repeat(begin, length)
    return unit, row


@dataclass(frozen=True)
class Carried:
    """What passed a treatment unit's feed between a moment and now, arrays of one shape."""

    feed_gal: Floats
    free_chlorine: Floats
    """[mg/L·gal]"""
    chloramine: Floats
    """[mg/L·gal]"""
    hardness: Floats
    """[mg/L·gal]"""
    hardness_days: Floats
    """[mg/L·day]"""


def carried_since(
    history: FeedHistory, curves: UseCurves, unit_row: Ints, since_d: Floats, now_d: float
) -> Carried:
    """
    Integrate feed and what it carried from a moment until now.

    Parameters
    ----------
    history : FeedHistory
        Stretches.
    curves : UseCurves
        Cumulated feed.
    unit_row : array (n,)
        Treatment unit of each question.
    since_d : array (n,)
        Begin, NaN allowed. [day]
    now_d : float
        End. [day]

    Returns
    -------
    Carried
        Five arrays (n,), never below 0; NaN where begin, use or the field is unknown.
    """
    begin = np.minimum(since_d, now_d)
    end = np.full(len(unit_row), now_d)
    then, now = _at(history, curves, unit_row, begin), _at(history, curves, unit_row, end)
    return Carried(*(np.maximum(late - early, 0.0) for late, early in zip(now, then, strict=True)))


def _at(history: FeedHistory, curves: UseCurves, unit_row: Ints, at_d: Floats) -> list[Floats]:
    first = history.bounds[unit_row]
    row = np.searchsorted(history.key, time_key(unit_row, np.nan_to_num(at_d)), side="right") - 1
    row = np.maximum(row, first)
    gal = gallons_at(curves, unit_row, np.full(len(unit_row), int(Water.FEED), dtype=np.int64), at_d)
    into = gal - history.feed_gal[row]
    sums = [
        from_fixed(history.carried[name][row] - history.carried[name][first])
        + into * history.value[name][row]
        for name in CARRIED
    ]
    days = from_fixed(history.lasted[row] - history.lasted[first])
    days = days + (at_d - history.begins_d[row]) * history.value[HARDNESS][row]
    return [gal, *sums, days]


def value_now(history: FeedHistory, field: str) -> Floats:
    """
    Return the newest value in force of a carried field.

    Parameters
    ----------
    history : FeedHistory
        Stretches.
    field : str
        One of ``CARRIED``.

    Returns
    -------
    array (units,)
        Value, NaN when never tested. [mg/L]
    """
    newest: Floats = history.value[field][history.bounds[1:] - 1]
    return newest


def newest_test_days(columns: ShardColumns) -> Floats:
    """
    Return the day of the newest feed test that speaks for each treatment unit.

    Parameters
    ----------
    columns : ShardColumns
        A shard; the site's own tests and its supply's count alike.

    Returns
    -------
    array (units,)
        NaN where there is none. [day]
    """
    tests, units = columns.tests, columns.units
    if not len(tests.source_row):
        return np.full(len(units.unit_id), np.nan)
    newest = np.full(int(tests.source_row.max()) + 2, np.nan)
    np.fmax.at(newest, tests.source_row, tests.sampled_at_d)
    # The last slot stays NaN and is what row -1 points at.
    return np.asarray(np.fmax(newest[units.site_source_row], newest[units.supply_source_row]))
