"""One HTTP call: to the settled address, no redirects, within a time, a bounded answer."""

import contextlib
import http.client
import socket
import ssl
import threading
import time
from dataclasses import dataclass
from typing import Final

from fleet.outgoing.addresses import Target

CONNECT_S: Final = 5.0
WHOLE_CALL_S: Final = 10.0
"""Connecting, sending and the answer together. [s]"""
KEPT_ANSWER_BYTES: Final = 300


@dataclass(frozen=True)
class Answer:
    """What came back: a status, or the problem instead."""

    status: int | None
    milliseconds: int
    problem: str = ""
    text: str = ""

    @property
    def is_good(self) -> bool:
        """Whether the receiver took it: any 2xx."""
        return self.status is not None and 200 <= self.status < 300


class _Pinned(http.client.HTTPConnection):
    """A connection to one settled address; the host's name is for its certificate and Host header only."""

    def __init__(self, target: Target) -> None:
        super().__init__(target.host, target.port, timeout=CONNECT_S)
        self._target = target

    def connect(self) -> None:
        """Connect without asking the name service again."""
        plain = socket.create_connection((self._target.address, self._target.port), CONNECT_S)
        self.sock = plain
        if self._target.is_https:
            self.sock = ssl.create_default_context().wrap_socket(plain, server_hostname=self._target.host)


def call(target: Target, body: bytes, headers: dict[str, str], whole_s: float = WHOLE_CALL_S) -> Answer:
    """Post a body. Never raises for what the other side does; a slow one is cut off."""
    began = time.monotonic()
    connection = _Pinned(target)
    cut = threading.Event()
    # Each read has its own time-out; a server that sends a byte a second is cut off by the clock.
    watch = threading.Timer(whole_s, _cut, args=(connection, cut))
    watch.daemon = True
    watch.start()
    try:
        connection.request("POST", target.path, body=body, headers=headers)
        response = connection.getresponse()
        text = response.read(KEPT_ANSWER_BYTES).decode("utf-8", "replace")
        if cut.is_set():
            raise TimeoutError
        return Answer(response.status, _since(began), text=_printable(text))
    except (OSError, http.client.HTTPException, ValueError) as error:
        problem = f"No answer within {whole_s:g} s" if cut.is_set() else f"{type(error).__name__}: {error}"
        return Answer(None, _since(began), problem=_printable(problem)[:200])
    finally:
        watch.cancel()
        connection.close()


def _cut(connection: _Pinned, cut: threading.Event) -> None:
    cut.set()
    if connection.sock is not None:
        with contextlib.suppress(OSError):
            connection.sock.shutdown(socket.SHUT_RDWR)


def _since(began: float) -> int:
    return round((time.monotonic() - began) * 1000)


def _printable(text: str) -> str:
    return "".join(sign if sign.isprintable() else " " for sign in text)[:KEPT_ANSWER_BYTES]
