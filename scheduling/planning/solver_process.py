"""Planning in a process of its own: a solver that never returns is ended, not waited for."""

from __future__ import annotations

import pickle
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import IO, Any

from scheduling.planning.assemble import assignment_of
from scheduling.planning.planner import OnProgress, PlanBroken, ShouldStop, finish, plan_week
from scheduling.planning.problem import Problem
from scheduling.planning.proposal import Proposal, Refusal
from scheduling.planning.replan import Replanned, replan
from scheduling.planning.tables import build_tables
from shared.messages import message

ROOT = Path(__file__).resolve().parents[2]
CHILD = (sys.executable, "-m", "scheduling.planning.solver_child")
GRACE_S = 15.0
"""How long beyond its time, or after a wish to stop, the search may take to come home. Our choice. [s]"""
ASK_EVERY_S = 0.2
ENDED = Refusal(
    message("the search"),
    message("did not come back in its time and was ended; this is the best it had told, or plain insertion."),
    message(
        "The plan is whole and checked. Ask again for a better one; if it happens twice, tell the makers."
    ),
)


class SearchLost(Exception):
    """The process that planned is gone without an answer."""


class SearchFailed(Exception):
    """The process that planned answered with an error of its own; the text says which."""


@dataclass(frozen=True)
class Limits:
    """``seconds`` to plan in, ``grace_s`` beyond them before the process is ended. [s]"""

    seconds: float
    grace_s: float = GRACE_S


def plan_apart(
    problem: Problem,
    limits: Limits,
    *,
    seed: int,
    on_progress: OnProgress | None = None,
    should_stop: ShouldStop | None = None,
    child: Sequence[str] = CHILD,
) -> Proposal:
    """
    Return what ``plan_week`` finds, in ``limits.seconds`` plus the grace at most.

    When the process has to be ended, the last plan it told is explained and returned with a refusal that says
    so; when it told none, plain insertion plans instead. Raises PlanBroken as ``plan_week`` does.
    """
    told: list[Proposal] = []
    wish = {"what": "plan", "problem": problem, "seed": seed}
    try:
        found = _ask(child, wish, limits, on_progress, should_stop, told.append)
        assert isinstance(found, Proposal)
        return found
    except SearchLost:
        return _with_note(_rescued(problem, told, seed))


def replan_apart(
    problem: Problem,
    published: Proposal,
    limits: Limits,
    *,
    on_progress: OnProgress | None = None,
    should_stop: ShouldStop | None = None,
    child: Sequence[str] = CHILD,
    **how: Any,
) -> Replanned:
    """Return what ``replan`` finds, ended like ``plan_apart``; without an answer, mended without search."""
    wish = {"what": "replan", "problem": problem, "published": published, **how}
    try:
        found = _ask(child, wish, limits, on_progress, should_stop, lambda plan: None)
        assert isinstance(found, Replanned)
        return found
    except SearchLost:
        plain = replan(problem, published, seconds=limits.grace_s, use_solver=False, **how)
        return replace(plain, proposal=_with_note(plain.proposal))


def _rescued(problem: Problem, told: list[Proposal], seed: int) -> Proposal:
    if not told:
        return plan_week(problem, seconds=GRACE_S, seed=seed, use_solver=False)
    tables = build_tables(problem)
    return finish(tables, assignment_of(tables, told[-1]), seed=seed, versions=dict(told[-1].versions))


def _with_note(plan: Proposal) -> Proposal:
    return replace(plan, refusals=(*plan.refusals, ENDED))


def _ask(
    child: Sequence[str],
    wish: dict[str, Any],
    limits: Limits,
    on_progress: OnProgress | None,
    should_stop: ShouldStop | None,
    on_plan: Callable[[Proposal], None],
) -> object:
    """Return the child's answer. Raises SearchLost when it had to be ended or died."""
    started_at = time.time()
    ends_at = time.monotonic() + limits.seconds + limits.grace_s
    process = subprocess.Popen(
        child, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    )
    assert process.stdin is not None
    assert process.stdout is not None
    heard: queue.Queue[tuple[str, Any]] = queue.Queue()
    threading.Thread(target=_listen, args=(process.stdout, heard), daemon=True).start()
    is_asked_to_stop = False
    try:
        _tell(process.stdin, {**wish, "seconds": limits.seconds, "grace_s": limits.grace_s, "at": started_at})
        while time.monotonic() < ends_at:
            try:
                what, value = heard.get(timeout=ASK_EVERY_S)
            except queue.Empty:
                what, value = "", None
            if what == "answer":
                return value
            if what == "broken":
                raise PlanBroken(value)
            if what == "failed":
                raise SearchFailed(value)
            if what == "gone":
                break
            if what == "plan":
                on_plan(value)
            elif what == "progress" and on_progress is not None:
                on_progress(*value)
            if should_stop is not None and not is_asked_to_stop and should_stop():
                is_asked_to_stop = True
                ends_at = min(ends_at, time.monotonic() + limits.grace_s)
                _tell(process.stdin, "stop")
    finally:
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            _close(pipe)
    raise SearchLost


def _tell(pipe: IO[bytes], value: object) -> None:
    try:
        pickle.dump(value, pipe)
        pipe.flush()
    except OSError:  # the child is gone; the reader says so
        return


def _close(pipe: Any) -> None:
    try:
        pipe.close()
    except OSError:  # what was still to be written has nobody to read it
        return


def _listen(pipe: IO[bytes], heard: queue.Queue[tuple[str, Any]]) -> None:
    """Pass on what the child tells, until it is gone."""
    try:
        while True:
            heard.put(pickle.load(pipe))
    except (EOFError, OSError, ValueError, pickle.UnpicklingError):
        heard.put(("gone", None))
