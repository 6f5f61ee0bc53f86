"""How long a page of six charts waits: first of a process, new, seen before; and what memory it takes."""

import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import Final

from django.test.utils import override_settings

from scheduling.billing.bridge import MonthMoney
from scheduling.billing.charts import three_years
from shared import chart_process

SIX: Final = 6
MONTHS: Final = 36


@dataclass(frozen=True)
class ChartFigures:
    """What was measured, by wall clock. [s, ms, MiB]"""

    start_s: float
    """One chart where nobody draws yet on this machine: the one renderer starts."""
    first_page_s: float
    """Six charts nobody saw before, in a process that has shown one only."""
    new_page_s: float
    """Six charts nobody saw before."""
    seen_ms_a_chart: float
    """A chart seen before, its values built and its drawing fetched."""
    new_over_seen: float
    """How many times as long a page of new charts takes as one seen before."""
    page_process_mib: float | None
    """What a process that shows pages holds more after all this; None where the system does not tell."""
    renderer_mib: float | None
    """What the one process that draws for all holds."""


def measure_charts(*, repeats: int, settings_caches: dict, tell: Callable[[str], object]) -> ChartFigures:
    """Draw six charts of 36 months each, three ways, with drawings kept in a folder of their own."""
    with TemporaryDirectory() as folder:
        kept = {**settings_caches["drawings"], "LOCATION": folder}
        caches = {**settings_caches, "drawings": kept}
        with override_settings(CACHES=caches, CHART_FOLDER=Path(folder) / "renderer"):
            try:
                return _measure(repeats, tell)
            finally:
                chart_process.end_begun()


def _measure(repeats: int, tell: Callable[[str], object]) -> ChartFigures:
    before = _resident_mib("self")
    tell("the renderer starts")
    start_s = _timed(lambda: _page(-1, charts=1))
    tell("a first page")
    first_s = _timed(lambda: _page(0))
    tell("new pages")
    new_s = median(_timed(lambda number=number: _page(number)) for number in range(1, repeats + 1))
    tell("pages seen before")
    seen_s = median(_timed(lambda: _page(0)) for _ in range(5 * repeats))
    after = _resident_mib("self")
    drawing = [_resident_mib(str(pid)) for pid in chart_process.begun_pids()]
    return ChartFigures(
        start_s=start_s,
        first_page_s=first_s,
        new_page_s=new_s,
        seen_ms_a_chart=1000 * seen_s / SIX,
        new_over_seen=new_s / seen_s,
        page_process_mib=None if before is None or after is None else after - before,
        renderer_mib=drawing[0] if drawing else None,
    )


def _page(number: int, charts: int = SIX) -> None:
    """Draw charts whose figures belong to this number alone."""
    for place in range(charts):
        base = 1000 + 100 * number + place
        months = [
            MonthMoney(date(2023 + month // 12, month % 12 + 1, 1), Decimal(base + month), Decimal(base))
            for month in range(MONTHS)
        ]
        if three_years(months) is None:
            raise ValueError("There was nothing to draw.")


def _timed(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def _resident_mib(process: str) -> float | None:
    """Return what a process holds in memory now. [MiB]"""
    status = Path("/proc") / process / "status"
    if not status.is_file():
        return None
    line = next(line for line in status.read_text().splitlines() if line.startswith("VmRSS"))
    return int(line.split()[1]) / 1024
