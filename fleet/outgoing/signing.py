"""Secrets and signatures of webhooks, as the open specification “Standard Webhooks” has them.

A secret is derived from the webhook's salt and the installation's key. It is kept in no table, so a copy of
the database signs nothing.
"""

import base64
import hashlib
import hmac
from typing import Final

from django.utils.crypto import salted_hmac

PREFIX: Final = "whsec_"


def secret_of(salt: str) -> str:
    """Return the secret that belongs to a salt, as its receiver keeps it."""
    key = salted_hmac("tapward.webhook", salt, algorithm="sha256").digest()
    return PREFIX + base64.b64encode(key).decode()


def signature(secret: str, message_id: str, timestamp: int, body: bytes) -> str:
    """Return ``v1,`` and the HMAC-SHA256 over id, timestamp [s since 1970] and raw body, in base 64."""
    key = base64.b64decode(secret.removeprefix(PREFIX))
    signed = f"{message_id}.{timestamp}.".encode() + body
    return "v1," + base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()


def headers(salts: list[str], message_id: str, timestamp: int, body: bytes) -> dict[str, str]:
    """Return the headers of a call; one signature for each secret that counts."""
    signatures = [signature(secret_of(salt), message_id, timestamp, body) for salt in salts]
    return {
        "content-type": "application/json",
        "user-agent": "Tapward-Webhooks/1",
        "webhook-id": message_id,
        "webhook-timestamp": str(timestamp),
        "webhook-signature": " ".join(signatures),
    }
