"""How the queue is: whether it answers and how many pieces of work lie in it."""

from dataclasses import dataclass
from typing import Final

import redis
from django.conf import settings

PATIENCE_S: Final = 2
QUEUE: Final = "celery"


@dataclass(frozen=True)
class QueueState:
    """``is_wanted`` is false where tasks run inside the process that sends them."""

    is_wanted: bool
    answers: bool
    waiting: int = 0
    """Pieces nobody has taken yet."""
    taken: int = 0
    """Pieces a worker has and has not finished."""


def queue_state() -> QueueState:
    """Ask the queue, for two seconds at most."""
    if not settings.REDIS_URL:
        return QueueState(is_wanted=False, answers=True)
    client = redis.Redis.from_url(
        settings.REDIS_URL, socket_connect_timeout=PATIENCE_S, socket_timeout=PATIENCE_S
    )
    try:
        return QueueState(True, True, int(client.llen(QUEUE)), int(client.hlen("unacked")))
    except redis.RedisError:
        return QueueState(is_wanted=True, answers=False)
    finally:
        client.close()
