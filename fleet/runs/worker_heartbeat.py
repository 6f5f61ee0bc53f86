"""How a worker says that it lives: a moment beside the queue, so that a dead one shows within a minute."""

import os
import socket
import time
from typing import Final

import redis
from django.conf import settings

KEY: Final = "tapward:workers"
EVERY_S: Final = 10
DEAD_AFTER_S: Final = 60
_ME: Final = f"{socket.gethostname()}:{os.getpid()}"
_last_s = float("-inf")


def beat() -> None:
    """Note that this worker lives, every ten seconds at most. A queue that is away is told of elsewhere."""
    global _last_s
    if not settings.REDIS_URL or time.monotonic() - _last_s < EVERY_S:
        return
    _last_s = time.monotonic()
    try:
        with redis.Redis.from_url(settings.REDIS_URL, socket_connect_timeout=2, socket_timeout=2) as client:
            client.hset(KEY, _ME, str(time.time()))
    except redis.RedisError:
        _last_s = float("-inf")


def living(client: redis.Redis) -> int:
    """Return how many workers said within the last minute that they live; forget the others."""
    told = {name: float(at) for name, at in client.hgetall(KEY).items()}
    dead = [name for name, at in told.items() if at < time.time() - DEAD_AFTER_S]
    if dead:
        client.hdel(KEY, *dead)
    return len(told) - len(dead)
