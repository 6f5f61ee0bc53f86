"""Planning in a process of its own: a solver that never returns is ended, not waited for.

Run as a module, this is that process: it gets one wish, tells how far it is, answers, and ends when its
parent is gone. Not a ``multiprocessing.Process``: the queue's workers are daemons and may not start one.
"""

from __future__ import annotations

import os
import pickle
import resource
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection, Pipe
from pathlib import Path
from typing import Any, Final

from scheduling.planning.planner import OnProgress, PlanBroken, ShouldStop, assignment_of, finish, plan_week
from scheduling.planning.problem import Problem
from scheduling.planning.proposal import Proposal, Refusal
from scheduling.planning.replan import Replanned, replan
from scheduling.planning.tables import build_tables
from shared.messages import message

ROOT = Path(__file__).resolve().parents[2]
CHILD = (sys.executable, "-m", "scheduling.planning.solver_process")
GRACE_S = 15.0
"""How long beyond its time, or after a wish to stop, the search may take to come home. Our choice. [s]"""
ASK_EVERY_S = 0.2
LEAST_S = 0.5
SPARE_CPU_S = 30
"""Beyond time and grace; only counts when the parent died without a word. [s]"""
WORK: Final[dict[str, Callable[..., object]]] = {"plan": plan_week, "replan": replan}
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
    """``seconds`` to plan in, ``grace_s`` beyond them before the process is ended. [s]

    With ``max_iterations`` these bound the search, not time, and it runs in this process.
    """

    seconds: float
    grace_s: float = GRACE_S
    max_iterations: int | None = None


def plan_in_process(
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
    plans: list[Proposal] = []
    wish = {"what": "plan", "problem": problem, "seed": seed}
    try:
        plan = _ask(child, wish, limits, on_progress, should_stop, plans.append)
        assert isinstance(plan, Proposal)
        return plan
    except SearchLost:
        return _with_note(_best_of(problem, plans, seed))


def replan_in_process(
    problem: Problem,
    published: Proposal,
    limits: Limits,
    *,
    on_progress: OnProgress | None = None,
    should_stop: ShouldStop | None = None,
    child: Sequence[str] = CHILD,
    **how: Any,
) -> Replanned:
    """Return what ``replan`` finds, ended like ``plan_in_process``; without an answer, without search."""
    wish = {"what": "replan", "problem": problem, "published": published, **how}
    try:
        replanned = _ask(child, wish, limits, on_progress, should_stop, lambda plan: None)
        assert isinstance(replanned, Replanned)
        return replanned
    except SearchLost:
        plain = replan(problem, published, seconds=limits.grace_s, use_solver=False, **how)
        return replace(plain, proposal=_with_note(plain.proposal))


def _best_of(problem: Problem, plans: list[Proposal], seed: int) -> Proposal:
    if not plans:
        return plan_week(problem, seconds=GRACE_S, seed=seed, use_solver=False)
    tables = build_tables(problem)
    return finish(tables, assignment_of(tables, plans[-1]), seed=seed, versions=dict(plans[-1].versions))


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
    if limits.max_iterations is not None:
        work = {name: value for name, value in wish.items() if name != "what"}
        return WORK[wish["what"]](
            **work, seconds=limits.seconds, max_iterations=limits.max_iterations, on_progress=on_progress,
            should_stop=should_stop,
        )  # fmt: skip
    started_at = time.time()
    ends_at = time.monotonic() + limits.seconds + limits.grace_s
    line, theirs = Pipe()
    process = subprocess.Popen(
        [*child, str(theirs.fileno())], cwd=ROOT, pass_fds=[theirs.fileno()],
        stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    theirs.close()
    is_asked_to_stop = False
    try:
        _tell(line, {**wish, "seconds": limits.seconds, "grace_s": limits.grace_s, "at": started_at})
        while time.monotonic() < ends_at:
            what, value = _hear(line)
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
                _tell(line, "stop")
    finally:
        process.kill()
        process.wait()
        line.close()
    raise SearchLost


def _hear(line: Connection) -> tuple[str, Any]:
    """Return what is told within a moment: nothing, a word with its value, or that the other end is gone."""
    try:
        return line.recv() if line.poll(ASK_EVERY_S) else ("", None)
    except (EOFError, OSError, ValueError, pickle.UnpicklingError):
        return "gone", None


def _tell(line: Connection, value: object) -> bool:
    """Say whether it could be told: not where the other end is gone."""
    try:
        line.send(value)
    except OSError:
        return False
    return True


def _plan_for_parent(line: Connection) -> None:
    """Plan what is asked for and answer."""

    def tell(what: str, value: object) -> None:
        if not _tell(line, (what, value)):
            os._exit(1)

    wish: dict[str, Any] = line.recv()
    work, seconds = wish.pop("what"), float(wish.pop("seconds"))
    # Should nobody else end this process, the system does.
    most = int(seconds + float(wish.pop("grace_s"))) + SPARE_CPU_S
    resource.setrlimit(resource.RLIMIT_CPU, (most, resource.getrlimit(resource.RLIMIT_CPU)[1]))
    stop = threading.Event()
    threading.Thread(target=_watch, args=(line, stop), daemon=True).start()
    wish["seconds"] = max(LEAST_S, seconds - (time.time() - float(wish.pop("at"))))
    wish["on_progress"] = lambda share, words: tell("progress", (share, words))
    if work == "plan":
        wish["on_plan"] = lambda plan: tell("plan", plan)
    try:
        tell("answer", WORK[work](**wish, should_stop=stop.is_set))
    except PlanBroken as error:
        tell("broken", error.violations)
    except Exception as error:
        tell("failed", f"{type(error).__name__}: {error}")


def _watch(line: Connection, stop: threading.Event) -> None:
    """Wait for the wish to stop; end at once when the parent is gone."""
    try:
        while True:
            line.recv()
            stop.set()
    except (EOFError, OSError):
        os._exit(1)


if __name__ == "__main__":
    _plan_for_parent(Connection(int(sys.argv[-1])))
