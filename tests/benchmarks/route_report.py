"""All figures of the planner in one run, told as they come: files, weeks, a re-plan after a sick call."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from statistics import fmean

from tests.benchmarks.routes import (
    FileFigure,
    ReplanFigure,
    WeekFigure,
    academic_figure,
    replan_figure,
    week_figure,
)
from tests.benchmarks.second_solver import AVAILABLE, second_solver_distance

PARTS = ("files", "week", "replan")


@dataclass(frozen=True)
class Wanted:
    """What to measure: ``parts`` of ``PARTS``; academic ``files``, each in each of ``file_seconds``; weeks of
    ``sizes`` in ``week_s``, held against a run of ``reference_s`` unless 0; re-plans in ``replan_s``. [s]
    """

    parts: Sequence[str] = PARTS
    files: Sequence[Path] = ()
    file_seconds: Sequence[float] = (10.0, 30.0)
    sizes: Sequence[str] = ("M",)
    week_s: float = 60.0
    reference_s: float = 0.0
    replan_s: float = 10.0
    seed: int = 1


def measure_routes(wanted: Wanted, tell: Callable[[str], None]) -> dict[str, object]:
    """Return the figures by name, telling each in a line as soon as it is known."""
    tell(f"one core, load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else "one core")
    answer: dict[str, object] = {}
    if "files" in wanted.parts and wanted.files:
        answer["files"] = [asdict(one) for one in _files(wanted, tell)]
    if "week" in wanted.parts:
        answer["weeks"] = [_week(wanted, size, tell) for size in wanted.sizes]
    if "replan" in wanted.parts:
        answer["replans"] = [_replan(wanted, size, tell) for size in wanted.sizes]
    return answer


def use_one_core() -> None:
    """Keep this process to one of its cores, where the system can."""
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})


def _files(wanted: Wanted, tell: Callable[[str], None]) -> list[FileFigure]:
    rival = second_solver_distance if AVAILABLE else None
    if rival is None:
        tell("the second solver library is not installed; its column stays empty")
    tell(f"{'file':<10}{'seconds':>8}{'best known':>12}{'ours':>18}{'bare solver':>20}{'second solver':>20}")
    found = []
    for seconds in wanted.file_seconds:
        at_once = []
        for path in wanted.files:
            one = academic_figure(path, seconds=seconds, seed=wanted.seed, rival=rival)
            at_once.append(one)
            tell(_file_line(one))
        gaps = [one.our_gap for one in at_once if one.our_gap is not None]
        if gaps:
            bare = [one.bare_gap for one in at_once if one.bare_gap is not None]
            tell(f"mean gap in {seconds:g} s: ours {fmean(gaps):.2f} %, bare solver {fmean(bare):.2f} %")
        found += at_once
    return found


def _file_line(one: FileFigure) -> str:
    best = "–" if one.best_known is None else f"{one.best_known:,.1f}"
    columns = ((one.ours, 18), (one.bare, 20), (one.rival, 20))
    return f"{one.name:<10}{one.seconds:>8g}{best:>12}" + "".join(
        f"{_with_gap(value, one.best_known):>{width}}" for value, width in columns
    )


def _with_gap(value: float | None, best_known: float | None) -> str:
    gap = FileFigure.gap(value, best_known)
    if value is None:
        return "–"
    return f"{value:,.1f}" if gap is None else f"{value:,.1f} {gap:+.2f} %"


def _week(wanted: Wanted, size: str, tell: Callable[[str], None]) -> dict[str, object]:
    week, _plan = week_figure(size, seconds=wanted.week_s, seed=wanted.seed)
    tell(_week_line(week))
    answer: dict[str, object] = asdict(week)
    if wanted.reference_s:
        long, _plan = week_figure(size, seconds=wanted.reference_s, seed=wanted.seed)
        tell(_week_line(long))
        answer |= {"reference": asdict(long), "gap": 100 * (week.price_min / long.price_min - 1)}
        tell(f"week {size}: {answer['gap']:+.2f} % above the plan of {wanted.reference_s:g} s")
    return answer


def _week_line(week: WeekFigure) -> str:
    return (
        f"week {week.size} in {week.seconds:.1f} s: first plan after {week.first_plan_s:.1f} s, price "
        f"{week.price_min:,.0f} min; {week.placed} placed, {week.unplaced} not ({week.unplaced_due} due, "
        f"{week.unexplained} without a reason), {week.late_jobs} late ({week.unavoidably_late} can't be in "
        "time)"
    )


def _replan(wanted: Wanted, size: str, tell: Callable[[str], None]) -> dict[str, object]:
    again: ReplanFigure = replan_figure(
        size, plan_seconds=wanted.week_s, seconds=wanted.replan_s, seed=wanted.seed
    )
    share = 100 * again.due_kept / max(1, again.due_visits)
    tell(
        f"re-plan {size} in {again.seconds:.1f} s: of {again.promised} promises {again.promises_lost} lost, "
        f"{again.promises_moved} moved; {again.due_kept} of {again.due_visits} due visits where they were "
        f"({share:.1f} %); {again.urgent_placed} of 5 urgent orders placed"
    )
    return asdict(again)
