"""The child of ``apart``: reads one wish, tells how far it is, answers. Ends when its parent is gone."""

from __future__ import annotations

import os
import pickle
import sys
import threading
import time
from typing import Any, BinaryIO

from scheduling.planning.planner import PlanBroken, plan_week
from scheduling.planning.proposal import Proposal
from scheduling.planning.replan import replan

try:
    import resource
except ImportError:  # no limits of processor time on this platform; the parent still ends us
    resource = None  # type: ignore[assignment]

LEAST_S = 0.5
SPARE_CPU_S = 30
"""Beyond time and grace; only counts when the parent died without a word. [s]"""


def main() -> None:
    """Plan what standard input asks for and answer on standard output."""
    wishes, answers = sys.stdin.buffer, os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever a library prints must not land among the answers
    wish: dict[str, Any] = pickle.load(wishes)
    seconds = float(wish.pop("seconds"))
    _limit_processor(seconds + float(wish.pop("grace_s")))
    stop = threading.Event()
    threading.Thread(target=_watch, args=(wishes, stop), daemon=True).start()
    left = max(LEAST_S, seconds - (time.time() - float(wish.pop("at"))))
    try:
        answer = ("answer", _do(wish, left, stop, answers))
    except PlanBroken as error:
        answer = ("broken", error.violations)
    except Exception as error:
        answer = ("failed", f"{type(error).__name__}: {error}")
    _tell(answers, answer)


def _do(wish: dict[str, Any], seconds: float, stop: threading.Event, answers: BinaryIO) -> object:
    def progress(share: float, words: str) -> None:
        _tell(answers, ("progress", (share, words)))

    def keep(plan: Proposal) -> None:
        _tell(answers, ("plan", plan))

    what = wish.pop("what")
    if what == "plan":
        return plan_week(
            wish.pop("problem"), seconds=seconds, on_progress=progress, should_stop=stop.is_set,
            on_plan=keep, **wish,
        )  # fmt: skip
    return replan(
        wish.pop("problem"), wish.pop("published"), seconds=seconds, on_progress=progress,
        should_stop=stop.is_set, **wish,
    )  # fmt: skip


def _watch(wishes: BinaryIO, stop: threading.Event) -> None:
    """Wait for the wish to stop; end at once when the parent is gone."""
    try:
        pickle.load(wishes)
    except (EOFError, OSError):
        os._exit(1)
    stop.set()
    while wishes.read(1):
        pass
    os._exit(1)


def _limit_processor(seconds: float) -> None:
    """Have the system end this process should nobody else."""
    if resource is not None:
        most = int(seconds) + SPARE_CPU_S
        _, hard = resource.getrlimit(resource.RLIMIT_CPU)
        resource.setrlimit(resource.RLIMIT_CPU, (most, hard))


def _tell(pipe: BinaryIO, value: object) -> None:
    try:
        pickle.dump(value, pipe)
        pipe.flush()
    except BrokenPipeError:  # nobody listens any more
        os._exit(1)


if __name__ == "__main__":
    main()
