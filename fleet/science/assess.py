"""Everything known about a shard of treatment units, from its columns."""

from collections.abc import Iterable
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np

from fleet.science.columns import Flushes, MeterReadings, Parts, PerformanceReadings, ShardColumns
from fleet.science.decay import assess_performance
from fleet.science.feed_water import TestIndex, feed_history, index_tests
from fleet.science.found import ShardFindings
from fleet.science.gauges import believable
from fleet.science.membranes import judge_membranes
from fleet.science.readiness import assess_readiness
from fleet.science.settings import AssessmentSettings
from fleet.science.use import compute_use
from fleet.science.wear import assess_life

__all__ = ["AssessmentSettings", "assess_shard", "cut_columns"]

Table = TypeVar("Table")
Rowed = TypeVar("Rowed", MeterReadings, Parts, PerformanceReadings, Flushes)


def assess_shard(
    columns: ShardColumns, now_d: float, settings: AssessmentSettings | None = None
) -> ShardFindings:
    """
    Judge use, life, performance and readiness of every treatment unit of a shard.

    Parameters
    ----------
    columns : ShardColumns
        The tables, sorted as ``columns`` says; any number of rows, none included.
    now_d : float
        The moment of judgement; later readings, tests and flushes are left out. [day]
    settings : AssessmentSettings, optional
        The documented ones when not given.

    Returns
    -------
    ShardFindings
        One row per unit and part. A unit's rows don't depend on which units share its shard.

    Raises
    ------
    ValueError
        When a table is not sorted as said.
    """
    settings = settings or AssessmentSettings()
    count = len(columns.units.unit_id)
    index = index_tests(columns.tests)
    steps = range(0, max(count, 1), settings.units_at_once)
    found = [
        _assess_some(columns, index, begin, min(begin + settings.units_at_once, count), now_d, settings)
        for begin in steps
    ]
    if len(found) == 1:
        return found[0]
    return ShardFindings(
        use=_joined(piece.use for piece in found),
        faults=_joined(piece.faults for piece in found),
        life=_joined(piece.life for piece in found),
        performance=_joined(piece.performance for piece in found),
        series=_joined(piece.series for piece in found),
        readiness=_joined(piece.readiness for piece in found),
    )


def cut_columns(columns: ShardColumns, begin: int, end: int) -> ShardColumns:
    """
    Return the tables of some of the treatment units, with row numbers counted anew.

    Parameters
    ----------
    columns : ShardColumns
        A shard.
    begin : int
        First treatment unit.
    end : int
        One past the last.

    Returns
    -------
    ShardColumns
        Feed tests stay whole, for supplies are shared.
    """
    return ShardColumns(
        units=_rows(columns.units, slice(begin, end)),
        readings=_of_units(columns.readings, begin, end),
        tests=columns.tests,
        parts=_of_units(columns.parts, begin, end),
        performance=_of_units(columns.performance, begin, end),
        flushes=_of_units(columns.flushes, begin, end),
    )


def _assess_some(
    columns: ShardColumns, index: TestIndex, begin: int, end: int, now_d: float, settings: AssessmentSettings
) -> ShardFindings:
    some = cut_columns(columns, begin, end)
    some = replace(some, performance=believable(some.performance))
    first_part = int(np.searchsorted(columns.parts.unit_row, begin, side="left"))
    use, faults, curves = compute_use(
        some.units, some.readings, some.performance, now_d, settings.use, settings.season
    )
    history = feed_history(index, some.units, curves, now_d, settings.wear)
    performance, series = assess_performance(
        some.units, some.parts, some.performance, now_d, settings.performance
    )
    life = assess_life(
        some.units,
        use,
        curves,
        history,
        some.parts,
        some.performance,
        some.flushes,
        judge_membranes(performance, now_d),
        now_d,
        settings.wear,
        settings.season,
    )
    ready = assess_readiness(
        some.units, use, some.parts, some.performance, some.flushes, now_d, settings.readiness
    )
    owed_part = np.where(ready.owed_part_row >= 0, ready.owed_part_row + first_part, -1)
    return ShardFindings(
        use=use,
        faults=replace(faults, unit_row=faults.unit_row + begin),
        life=life,
        performance=performance,
        series=replace(series, unit_row=series.unit_row + begin),
        readiness=replace(ready, owed_part_row=owed_part),
    )


def _of_units(table: Rowed, begin: int, end: int) -> Rowed:
    low = int(np.searchsorted(table.unit_row, begin, side="left"))
    high = int(np.searchsorted(table.unit_row, end, side="left"))
    cut = _rows(table, slice(low, high))
    return replace(cut, unit_row=cut.unit_row - begin)


def _rows(table: Table, rows: slice) -> Table:
    return _made(table, {name: column[rows] for name, column in vars(table).items()})


def _made(like: Table, columns: dict[str, Any]) -> Table:
    return type(like)(**columns)


def _joined(pieces: Iterable[Table]) -> Table:
    tables = list(pieces)
    first = tables[0]
    columns = {name: np.concatenate([vars(table)[name] for table in tables]) for name in vars(first)}
    return _made(first, columns)
