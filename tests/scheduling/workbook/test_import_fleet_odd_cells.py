"""Whatever stands in a cell, the import answers with values or with problems, never with a crash."""

from datetime import date, datetime, time, timedelta
from decimal import Decimal

import numpy as np
import pytest
from openpyxl import load_workbook

from fleet.models import Customer
from scheduling.workbook import importing
from scheduling.workbook.importing import import_workbook
from scheduling.workbook.sheets import SHEETS
from tests.scheduling.small_fleet import sheets

pytestmark = pytest.mark.django_db

ODD = [
    "", " ", None, "x" * 5000, -1, 0, 1e308, -1e308, float("nan"), float("inf"), True, 2**70, "1" * 5000,
    "1e999", "-0", "0x10", "1_000", "١٢", "１２", "1,5", "5 gal", "5 psi", "5 xyz", "=1+1", "Mon", "S1",
    "TU-1", date(2026, 1, 1),
    datetime(2026, 1, 1, 1, 1), datetime(1, 1, 1), datetime(9999, 12, 31, 23, 59),  # noqa: DTZ001
    time(1), timedelta(hours=30), "9999-12-31", "0001-01-01", "24:00", "2026-W01-1", "2026-03-08 02:30",
    "2026-01-01T00:00:00+14:00", "2026-01-01T00:00:00+25:00", "2026-01-01T10:00:00.123456789Z",
    b"bytes", ["l"], {"a": 1}, object(), complex(1, 2), Decimal("1.5"), Decimal("NaN"), np.float64(3),
    np.bool_(True), np.datetime64("2026-01-01"), np.array([1, 2]), "\ud800", "\x00", "a\tb\nc",
]  # fmt: skip
COLUMNS = [(entry.name, column) for entry in SHEETS for column in entry.columns]


def spoiled_rows(sheet, column):
    """Return the sheet's first row over and over, each time with another odd cell."""
    row = {k: v for k, v in sheets()[sheet][0].items() if k.split(" [")[0] != column.name}
    return [row | {column.header: odd} for odd in ODD]


@pytest.mark.parametrize("sheet", [entry.name for entry in SHEETS])
def test_no_cell_breaks_the_import(now, tmp_path, sheet):
    import_workbook(sheets(), accept_good_rows=False, now=now)
    for name, column in COLUMNS:
        if name != sheet:
            continue
        report = import_workbook({sheet: spoiled_rows(sheet, column)}, accept_good_rows=True, now=now)
        assert sum(report.counts[sheet].__dict__.values()) == 2 * len(ODD), column.name
        assert all(problem.message and problem.remedy for problem in report.problems)
    refused = report.write_rest(tmp_path / "rest.xlsx")
    assert refused == report.counts[sheet].refused > 0
    assert load_workbook(tmp_path / "rest.xlsx")[sheet].max_row == refused + 1


def test_a_crash_half_way_leaves_nothing_behind(now):
    def stop_at_the_last_sheet(part, words):
        if words.startswith("writing plans"):
            raise RuntimeError("the power went")

    with pytest.raises(RuntimeError):
        importing.import_workbook(
            sheets(), accept_good_rows=True, now=now, on_progress=stop_at_the_last_sheet
        )
    assert not Customer.objects.exists()
