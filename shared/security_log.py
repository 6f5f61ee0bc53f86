"""One stream of what bears on security, and the number under which log lines tell of a person."""

import logging
from typing import Final

from django.utils.crypto import salted_hmac

STREAM: Final = "tapward.security"
"""Log-ins, refusals, changes of what opens doors, and the heads of history."""


def who(person_id: int) -> str:
    """Return a person's number in the log: keyed, so that it tells strangers nothing. ``who_is`` reads it."""
    return salted_hmac("tapward.logs", str(person_id), algorithm="sha256").hexdigest()[:12]


def tell(event: str, *, level: int = logging.INFO, **told: object) -> None:
    """Write one line into the stream. Never give it a name, an address or a secret."""
    logging.getLogger(STREAM).log(level, event, extra={"told": told})
