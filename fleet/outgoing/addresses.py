"""Which addresses may be called: none inside, unless the settings name its network."""

import ipaddress
import socket
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final
from urllib.parse import urlsplit

from shared.errors import CannotDo

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Network = ipaddress.IPv4Network | ipaddress.IPv6Network
_NAT64: Final = ipaddress.ip_network("64:ff9b::/96")
_REMEDY: Final = "Give a public https address, or have its network added to TAPWARD_WEBHOOK_NETWORKS."


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
        raise CannotDo("This is no address that can be called.", remedy=_REMEDY, field="url") from error
    has_odd = any(ord(sign) <= 32 or ord(sign) == 127 for sign in url) or not url.isascii()
    if parts.scheme not in ("https", "http") or not host or parts.username or parts.password or has_odd:
        raise CannotDo("This is no address that can be called.", remedy=_REMEDY, field="url")
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
            raise CannotDo(f"{host} leads to {address}, which is not public.", remedy=_REMEDY, field="url")
        if not is_ours and not is_https:
            raise CannotDo("Plain http is for one's own networks only.", remedy=_REMEDY, field="url")
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
