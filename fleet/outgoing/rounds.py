"""A round of the outbox: everything that is due, one after the other."""

from collections.abc import Callable
from datetime import datetime

from django.conf import settings

from fleet.outgoing import addresses, sending


def send_due(read_clock: Callable[[], datetime], *, most: int = 1000) -> tuple[int, int]:
    """Deliver what is due. Returns how many were taken, and how many not. May run twice, also at once."""
    allowed = addresses.networks(settings.WEBHOOK_NETWORKS)
    taken = failed = 0
    while taken + failed < most:
        ids = sending.due(read_clock())
        if not ids:
            break
        for delivery_id in ids:
            came = sending.deliver(delivery_id, now=read_clock(), allowed=allowed)
            taken += came is True
            failed += came is False
    return taken, failed
