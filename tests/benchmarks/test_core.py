"""The benchmark measures what it says; nothing is timed against the clock."""

import pytest

from tests.benchmarks.core import benchmark_core


def test_a_row_per_size_with_plausible_figures():
    """Two small sizes."""
    told = []
    rows = benchmark_core((20, 40), readings_per_unit=10, tell=told.append)
    assert told == rows
    assert [row.units for row in rows] == [20, 40]
    assert [row.readings for row in rows] == [200, 400]
    for row in rows:
        assert row.readings_per_second > 0
        assert row.working_kib_per_unit > row.findings_kib_per_unit > 0


def test_a_size_below_one_is_refused():
    """By a clear error."""
    with pytest.raises(ValueError, match="at least 1"):
        benchmark_core((0,))
