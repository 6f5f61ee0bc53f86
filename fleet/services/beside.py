"""Work in processes of its own, so that a measurement's memory and time are that work's alone."""

import multiprocessing
import resource
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection

from django.db import connections


@dataclass(frozen=True)
class Spent:
    """What one process took."""

    seconds: float
    """Wall time of the work."""
    processor_s: float
    """Its own processor time; the database's comes on top."""
    peak_mib: float
    """Highest memory of the process. [MiB]"""
    answer: object


def beside(*works: Callable[[], object]) -> list[Spent]:
    """Do each piece of work in a process of its own, all at once, and return what each took.

    Raises RuntimeError when one fails; what went wrong is on its standard error.
    """
    # A connection belongs to one process.
    connections.close_all()
    context = multiprocessing.get_context("fork")
    running = []
    for work in works:
        ours, theirs = context.Pipe(duplex=False)
        process = context.Process(target=_do, args=(work, theirs))
        process.start()
        theirs.close()
        running.append((process, ours))
    spent = []
    for process, ours in running:
        try:
            spent.append(ours.recv())
        except EOFError as error:
            raise RuntimeError("A process of the measurement failed; see above.") from error
        finally:
            process.join()
    return spent


def _do(work: Callable[[], object], answer_to: Connection) -> None:
    connections.close_all()
    began, busy = time.perf_counter(), time.process_time()
    answer = work()
    seconds, busy = time.perf_counter() - began, time.process_time() - busy
    answer_to.send(Spent(seconds, busy, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, answer))
    connections.close_all()
