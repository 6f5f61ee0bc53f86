"""Which addresses may be called: none inside, unless the settings name its network.

One HTTP call: to the settled address, no redirects, within a time, a bounded answer.
"""

import contextlib
import http.client
import ipaddress
import socket
import ssl
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final
from urllib.parse import urlsplit

from shared.errors import CannotDo
from shared.messages import message

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Network = ipaddress.IPv4Network | ipaddress.IPv6Network
_NAT64: Final = ipaddress.ip_network("64:ff9b::/96")
_REMEDY: Final = message(
    "Give a public https address, or have its network added to TAPWARD_WEBHOOK_NETWORKS."
)


@dataclass(frozen=True)
class Target:
    """Where to connect: the address is settled before the call and stays."""

    host: str
    port: int
    path: str
    is_https: bool
    address: str


def look_up(host: str, port: int) -> list[str]:
    """Return every address of a host. Raises OSError."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return [str(entry[4][0]) for entry in found]


def networks(given: Sequence[str]) -> list[Network]:
    """Return the allowed networks of the settings. Raises ValueError for nonsense."""
    return [ipaddress.ip_network(text) for text in given]


def check_form(url: str) -> tuple[str, int, str, bool]:
    """Return host, port, path and whether it is https. Raises CannotDo for anything odd."""
    try:
        parts = urlsplit(url)
        port, host = parts.port, parts.hostname or ""
        host.encode("idna") if not host.isascii() else host.encode("ascii")
    except ValueError as error:
        raise CannotDo(
            message("This is no address that can be called."), remedy=_REMEDY, field="url"
        ) from error
    has_odd = any(ord(sign) <= 32 or ord(sign) == 127 for sign in url) or not url.isascii()
    if parts.scheme not in ("https", "http") or not host or parts.username or parts.password or has_odd:
        raise CannotDo(message("This is no address that can be called."), remedy=_REMEDY, field="url")
    is_https = parts.scheme == "https"
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    return host, port or (443 if is_https else 80), path, is_https


def target_of(
    url: str, allowed: Sequence[Network], resolve: Callable[[str, int], list[str]] = look_up
) -> Target:
    """
    Look an address up and settle on one that may be called.

    Raises
    ------
    CannotDo
        When any address of the host lies inside, or plain http is asked for outside the allowed networks.
    OSError
        When the host has no address.
    """
    host, port, path, is_https = check_form(url)
    found = resolve(host, port)
    if not found:
        raise OSError(f"{host} has no address.")
    chosen = [_plain(text) for text in found]
    for address in chosen:
        is_ours = any(address in network for network in allowed)
        if not is_ours and not is_public(address):
            raise CannotDo(
                message("{host} leads to {address}, which is not public.", host=host, address=address),
                remedy=_REMEDY,
                field="url",
            )
        if not is_ours and not is_https:
            raise CannotDo(message("Plain http is for one's own networks only."), remedy=_REMEDY, field="url")
    return Target(host, port, path, is_https, str(chosen[0]))


def is_public(address: Address) -> bool:
    """Say whether an address is one of the open internet, also when it carries another inside."""
    if isinstance(address, ipaddress.IPv6Address):
        if address in _NAT64:
            return is_public(ipaddress.IPv4Address(int(address) & 0xFFFFFFFF))
        if address.sixtofour or address.teredo or address.is_site_local:
            return False
    return (
        address.is_global
        and not address.is_multicast
        and not address.is_reserved
        and not address.is_loopback
        and not address.is_link_local
        and not address.is_unspecified
    )


def _plain(text: str) -> Address:
    """Return an address; an IPv4 one written as IPv6 is its IPv4 self."""
    address = ipaddress.ip_address(text.partition("%")[0])
    mapped = getattr(address, "ipv4_mapped", None)
    return mapped or address


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
        late = message("No answer within {whole_s:g} s", whole_s=whole_s)
        problem = late if cut.is_set() else _printable(f"{type(error).__name__}: {error}")[:200]
        return Answer(None, _since(began), problem=problem)
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
