"""One HTTP call to an address that is settled before it: none inside, no redirects, within a time."""

import contextlib
import http.client
import ipaddress
import operator
import socket
import ssl
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final
from urllib.parse import urlsplit

from shared.errors import DomainError
from shared.messages import message

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Network = ipaddress.IPv4Network | ipaddress.IPv6Network
CONNECT_S: Final = 5.0
WHOLE_CALL_S: Final = 10.0
"""Connecting, sending and the answer together. [s]"""
PORTS: Final = (443, 8443)
"""Of https, and its usual other one; what listens elsewhere is no receiver of ours."""
KEPT_ANSWER_BYTES: Final = 300
_NAT64: Final = ipaddress.ip_network("64:ff9b::/96")
_REFUSED: Final = [
    ipaddress.ip_network(text)
    for text in ("192.0.0.0/24", "192.88.99.0/24", "2001::/23", "2002::/16", "3fff::/20", "fec0::/10")
]
"""Protocols, tunnels, documentation, what was private once: ``is_global`` of some Pythons lets them pass."""
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


def networks(given: Sequence[str]) -> list[Network]:
    """Return the allowed networks of the settings. Raises ValueError for nonsense."""
    return [ipaddress.ip_network(text) for text in given]


def look_up(host: str, port: int) -> list[str]:
    """Return every address of a host. Raises OSError."""
    return [str(entry[4][0]) for entry in socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)]


def target_of(
    url: str, allowed: Sequence[Network], resolve: Callable[[str, int], list[str]] = look_up
) -> Target:
    """
    Look an address up and settle on one that may be called.

    Raises
    ------
    DomainError
        When the address is odd; its host is unknown or has an address inside, which is not told apart;
        or plain http or a port of other services leads outside the allowed networks.
    """
    try:
        parts = urlsplit(url)
        port, host = parts.port, parts.hostname or ""
        host.encode("idna")  # refuses empty labels and those over 63 signs, as the name service would
    except ValueError as error:
        raise DomainError(
            message("This is no address that can be called."), remedy=_REMEDY, field="url"
        ) from error
    has_odd = any(ord(sign) <= 32 or ord(sign) >= 127 for sign in url)
    if parts.scheme not in ("https", "http") or not host or parts.username or parts.password or has_odd:
        raise DomainError(message("This is no address that can be called."), remedy=_REMEDY, field="url")
    is_https = parts.scheme == "https"
    port = port or (443 if is_https else 80)
    try:
        found = [_plain(text) for text in resolve(host, port)]
    except OSError:
        found = []
    own = [any(address in network for network in allowed) for address in found]
    # What inner names lead to, and which there are, is told to nobody.
    if not found or not all(map(operator.or_, own, map(is_public, found))):
        raise DomainError(
            message("{host} is not known to the name service, or not public.", host=host),
            remedy=_REMEDY,
            field="url",
        )
    for is_ours in own:
        if not is_ours and not is_https:
            raise DomainError(
                message("Plain http is for one's own networks only."), remedy=_REMEDY, field="url"
            )
        if not is_ours and port not in PORTS:
            raise DomainError(
                message("Port {port} is for one's own networks only.", port=port), remedy=_REMEDY, field="url"
            )
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    return Target(host, port, path, is_https, str(found[0]))


def is_public(address: Address) -> bool:
    """Say whether an address is one of the open internet, also when it carries another inside."""
    if address in _NAT64:
        return is_public(ipaddress.IPv4Address(int(address) & 0xFFFFFFFF))
    is_special = address.is_multicast or address.is_reserved or any(address in one for one in _REFUSED)
    return address.is_global and not is_special


def call(target: Target, body: bytes, headers: dict[str, str], whole_s: float = WHOLE_CALL_S) -> Answer:
    """Post a body. Never raises for what the other side does; a slow one is cut off."""
    began = time.monotonic()
    connection = _Pinned(target)
    cut = threading.Event()
    # Each read has its own time-out; a server that sends a byte a second is cut off by the clock.
    watch = threading.Timer(whole_s, connection.cut, args=(cut,))
    watch.daemon = True
    watch.start()
    status, problem, text = None, "", ""
    try:
        connection.request("POST", target.path, body=body, headers=headers)
        response = connection.getresponse()
        text = response.read(KEPT_ANSWER_BYTES).decode("utf-8", "replace")
        if cut.is_set():
            raise TimeoutError
        status = response.status
    except (OSError, http.client.HTTPException, ValueError) as error:
        problem = (
            message("No answer within {whole_s:g} s", whole_s=whole_s)
            if cut.is_set()
            else f"{type(error).__name__}: {error}"
        )
        text = ""
    finally:
        watch.cancel()
        connection.close()
    took_ms = round((time.monotonic() - began) * 1000)
    return Answer(status, took_ms, _printable(problem)[:200], _printable(text)[:KEPT_ANSWER_BYTES])


class _Pinned(http.client.HTTPConnection):
    """A connection to one settled address; the host's name is for its certificate and Host header only."""

    def __init__(self, target: Target) -> None:
        super().__init__(target.host, target.port, timeout=CONNECT_S)
        self._target = target

    def connect(self) -> None:
        """Connect without asking the name service again."""
        self.sock = socket.create_connection((self._target.address, self._target.port), CONNECT_S)
        if self._target.is_https:
            context = ssl.create_default_context()
            self.sock = context.wrap_socket(self.sock, server_hostname=self._target.host)

    def cut(self, cut: threading.Event) -> None:
        """End the call from another thread."""
        cut.set()
        if self.sock is not None:
            with contextlib.suppress(OSError):
                self.sock.shutdown(socket.SHUT_RDWR)


def _plain(text: str) -> Address:
    """Return an address; an IPv4 one written as IPv6 is its IPv4 self."""
    address = ipaddress.ip_address(text.partition("%")[0])
    return getattr(address, "ipv4_mapped", None) or address


def _printable(text: str) -> str:
    return "".join(sign if sign.isprintable() else " " for sign in text)
