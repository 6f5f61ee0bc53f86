"""Counts calls of one person or token by windows of the clock, in every process together.

With Redis in Redis, for all machines; without, in a file for each caller under a lock of the system, for all
processes of this machine. Either way two calls at once are two.
"""

import hashlib
import os
from pathlib import Path

from django.conf import settings
from django.core.cache import cache
from django.core.files import locks
from rest_framework.request import Request
from rest_framework.throttling import SimpleRateThrottle


class CountedRate(SimpleRateThrottle):
    """``rate`` calls in each window: of a minute, the clock's own. A subclass says whose calls."""

    count = 0
    """Calls in this window, this one too."""

    def allow_request(self, request: Request, view: object) -> bool:
        """Count the call; say whether it is one of those that may be."""
        if self.rate is None:
            return True
        now_s = self.timer()
        window = int(now_s // self.duration)
        self.left_s = self.duration - now_s % self.duration
        self.count = count(self.get_cache_key(request, view), window, self.duration)
        return self.count <= self.num_requests

    def wait(self) -> float:
        """Return how long until the next window. [s]"""
        return self.left_s


def count(key: str, window: int, duration_s: int) -> int:
    """Count one more in a window and return how many there are."""
    if settings.COUNTS_FOLDER:
        return count_in_file(settings.COUNTS_FOLDER, key, window)
    key = f"{key}-{window}"
    cache.add(key, 0, timeout=2 * duration_s)
    return cache.incr(key)


def count_in_file(folder: Path, key: str, window: int) -> int:
    """Count one more in a window and return how many there are; the file holds the last window only."""
    folder.mkdir(parents=True, exist_ok=True)
    file = os.open(folder / hashlib.sha256(key.encode()).hexdigest(), os.O_RDWR | os.O_CREAT, 0o600)
    try:
        locks.lock(file, locks.LOCK_EX)
        of, _, told = os.read(file, 60).partition(b" ")
        count = int(told) + 1 if of == b"%d" % window and told.isdigit() else 1
        os.ftruncate(file, 0)
        os.pwrite(file, b"%d %d" % (window, count), 0)
        return count
    finally:
        os.close(file)
