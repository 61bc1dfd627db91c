"""Which names and origins a request may carry. Law: only the bike's own; a name is allowed by being listed.

A page elsewhere can make a browser call the bike (cross-site request), or make its own name resolve to the bike's
address (DNS rebinding). The first carries a foreign Origin, the second a foreign Host; both are refused here.
"""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable

LOOPBACK_NAMES = frozenset({"localhost"})


def host_name(host: str) -> str:
    """The name of a Host header without port and brackets, in lower case; "" when it is malformed."""
    host = host.strip().lower()
    if host.startswith("["):
        name, bracket, rest = host[1:].partition("]")
        return name if bracket and (not rest or rest[1:].isdigit()) else ""
    name, colon, port = host.partition(":")
    return name.rstrip(".") if not colon or port.isdigit() else ""


def _address(text: str | None) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        address = ipaddress.ip_address((text or "").partition("%")[0])
    except ValueError:
        return None
    mapped = address.ipv4_mapped if isinstance(address, ipaddress.IPv6Address) else None
    return mapped or address


def is_loopback(address: str | None) -> bool:
    found = _address(address)
    return found is not None and found.is_loopback


class Hosts:
    """The allowed hosts: localhost, loopback addresses, the listed names, the address the request came in on."""

    def __init__(self, allowed: Iterable[str] = ()) -> None:
        self._names = LOOPBACK_NAMES | {host_name(name) for name in allowed} - {""}

    def allows(self, host: str, came_in_on: str | None) -> bool:
        name = host_name(host)
        if name in self._names:
            return True
        literal = _address(name)
        return literal is not None and (literal.is_loopback or literal == _address(came_in_on))


def same_origin(host: str, origin: str | None, fetch_site: str | None) -> bool:
    """Whether a request that changes something comes from the bike's own page.

    Browsers send Origin with every such request; over plain http they leave Sec-Fetch-Site out. A request with
    neither comes from no page of ours and is refused.
    """
    if fetch_site is not None and fetch_site != "same-origin":
        return False
    if origin is None:
        return fetch_site == "same-origin"
    scheme, _, rest = origin.lower().partition("://")
    return scheme in ("http", "https") and rest == host.strip().lower()
