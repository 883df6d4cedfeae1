"""Which addresses a webhook may go to: the public ones, none that lead inside by a detour."""

from __future__ import annotations

import socket
from collections.abc import Callable
from ipaddress import IPv4Address, IPv6Address, ip_address, ip_network

Resolve = Callable[[str, int], list[str]]

_METADATA = frozenset(
    map(ip_address, ("169.254.169.254", "169.254.170.2", "fd00:ec2::254", "100.100.100.200"))
)
"""Where cloud machines keep their credentials: never a receiver of notices."""

_DETOURS = tuple(
    map(ip_network, ("64:ff9b::/96", "64:ff9b:1::/48", "2002::/16", "2001::/32", "::/96"))
)
"""IPv6 ranges that carry an IPv4 address inside (NAT64 RFC 6052 and 8215, 6to4, Teredo,
IPv4-compatible): ``ipaddress`` calls some of them global whatever they carry."""


def resolve(host: str, port: int) -> list[str]:
    """Look a name up once; every address it has."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(entry[4][0]) for entry in found))


def acceptable(address: str, *, allow_private: bool) -> bool:
    """Tell whether a connection to this address may be made."""
    found = _unmapped(ip_address(address.partition("%")[0]))
    if found in _METADATA:
        return False
    return allow_private or _public(found)


def _unmapped(address: IPv4Address | IPv6Address) -> IPv4Address | IPv6Address:
    if isinstance(address, IPv6Address) and address.ipv4_mapped:
        return address.ipv4_mapped
    return address


def _public(address: IPv4Address | IPv6Address) -> bool:
    inside = address.is_multicast or address.is_reserved or address.is_private
    return address.is_global and not inside and not any(address in net for net in _DETOURS)
