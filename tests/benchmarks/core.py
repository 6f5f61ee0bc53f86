"""How fast the pure core is, how much memory a treatment unit takes, and how both grow."""

import time
import tracemalloc
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields

from fleet.science.assess import assess_shard
from fleet.science.columns import ShardColumns
from fleet.science.found import ShardFindings
from tests.benchmarks.synthetic_shard import make_shard

_NOW_D = 20_000.0
_KIB = 1024.0
SHARD_UNITS = 100_000
"""A larger fleet is assessed shard after shard, as the service does."""


@dataclass(frozen=True)
class BenchmarkRow:
    """One size."""

    units: int
    readings: int
    seconds: float
    """Processor time of this process for assessing, without making up the data. [s]"""
    readings_per_second: float
    """Per core. [1/s]"""
    units_per_second: float
    """Per core. [1/s]"""
    working_kib_per_unit: float
    """Peak memory while assessing beyond the columns given, over the units of one shard; NaN when not
    measured. [KiB]"""
    columns_kib_per_unit: float
    """Memory of the columns given. [KiB]"""
    findings_kib_per_unit: float
    """Memory of what comes back. [KiB]"""
    seconds_per_1000_units: float
    """Even if growth is linear. [s]"""


def benchmark_core(
    sizes: Sequence[int] = (1_000, 10_000, 100_000, 1_000_000),
    readings_per_unit: int = 52,
    *,
    is_memory_measured: bool = True,
    tell: Callable[[BenchmarkRow], None] | None = None,
) -> list[BenchmarkRow]:
    """
    Assess invented shards of several sizes on one core.

    Parameters
    ----------
    sizes : sequence of int
        Treatment units of each run, each at least 1.
    readings_per_unit : int
        Weekly register readings of each unit.
    is_memory_measured : bool
        Run the first shard of each size once more under ``tracemalloc``, which is slow.
    tell : callable, optional
        Told each row as it is ready.

    Returns
    -------
    list of BenchmarkRow
        One per size.

    Raises
    ------
    ValueError
        For a size below 1.
    """
    if min(sizes, default=1) < 1:
        raise ValueError("Sizes must be at least 1.")
    assess_shard(make_shard(10, 5, seed=0, now_d=_NOW_D), _NOW_D)
    rows = []
    for size in sizes:
        row = _measure(size, readings_per_unit, is_memory_measured)
        if tell:
            tell(row)
        rows.append(row)
    return rows


def _measure(units: int, readings_per_unit: int, is_memory_measured: bool) -> BenchmarkRow:
    seconds, taken, given, returned = 0.0, float("nan"), 0.0, 0.0
    for number, shard in enumerate(_shards(units, readings_per_unit)):
        begin = time.process_time()
        found = assess_shard(shard, _NOW_D)
        seconds += time.process_time() - begin
        given += _size_of(shard)
        returned += _size_of(found)
        if number == 0 and is_memory_measured:
            taken = _peak(shard) / len(shard.units.unit_id)
    readings = units * readings_per_unit
    return BenchmarkRow(
        units=units,
        readings=readings,
        seconds=seconds,
        readings_per_second=readings / max(seconds, 1e-9),
        units_per_second=units / max(seconds, 1e-9),
        working_kib_per_unit=taken / _KIB,
        columns_kib_per_unit=given / units / _KIB,
        findings_kib_per_unit=returned / units / _KIB,
        seconds_per_1000_units=1000 * seconds / units,
    )


def _shards(units: int, readings_per_unit: int) -> Iterator[ShardColumns]:
    for begin in range(0, units, SHARD_UNITS):
        yield make_shard(min(SHARD_UNITS, units - begin), readings_per_unit, seed=begin + 1, now_d=_NOW_D)


def _peak(shard: ShardColumns) -> float:
    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    assess_shard(shard, _NOW_D)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return float(peak - before)


def _size_of(tables: ShardColumns | ShardFindings) -> float:
    total = 0
    for item in fields(tables):
        total += sum(column.nbytes for column in vars(getattr(tables, item.name)).values())
    return float(total)
