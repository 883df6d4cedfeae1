"""Which addresses a webhook may go to: the public ones, none that lead inside by a detour."""

from __future__ import annotations

import socket
from collections.abc import Callable
from ipaddress import IPv4Address, IPv6Address, ip_address, ip_network

Resolve = Callable[[str, int], list[str]]

_METADATA = frozenset(
    map(
        ip_address,
        (
            "169.254.169.254",
            "169.254.170.2",
            "fd00:ec2::254",
            "fd20:ce::254",
            "100.100.100.200",
            "168.63.129.16",
        ),
    )
)
"""Where cloud machines keep their credentials: never a receiver of notices."""

_V4_INSIDE = (
    (ip_network("64:ff9b::/96"), 0),
    (ip_network("64:ff9b:1::/48"), 0),
    (ip_network("2002::/16"), 80),
    (ip_network("::/96"), 0),
    (ip_network("::ffff:0:0:0/96"), 0),
)
"""IPv6 ranges that carry an IPv4 address inside, and how many bits stand after it (NAT64 RFC 6052 and 8215,
6to4 RFC 3056, IPv4-compatible RFC 4291, IPv4-translated RFC 2765): ``ipaddress`` calls some of them global
whatever they carry."""

_NAT64_OWN = ip_network("64:ff9b:1::/48")
"""For gateways of one's own network (RFC 8215), which may use it with a prefix of 96 or of 48 bits."""

_ISATAP = (0x00005EFE, 0x02005EFE)
"""Before the IPv4 address in the lower half of an ISATAP address (RFC 5214 section 6.1), under any prefix."""

_NO_RECEIVERS = tuple(
    map(
        ip_network,
        ("2001::/32", "fec0::/10", "3fff::/20", "5f00::/16", "192.0.0.0/24", "192.88.99.0/24"),
    )
)
"""Teredo, the old site-local range, documentation (RFC 9637), segment identifiers (RFC 9602), protocol
assignments and the 6to4 relay: not everywhere known to ``ipaddress`` as what they are."""


def resolve(host: str, port: int) -> list[str]:
    """Look a name up once; every address it has."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(entry[4][0]) for entry in found))


def acceptable(address: str, *, allow_private: bool) -> bool:
    """Tell whether a connection to this address may be made."""
    found = ip_address(address.partition("%")[0])
    if isinstance(found, IPv6Address) and found.ipv4_mapped:
        found = found.ipv4_mapped
    inside = _v4_inside(found)
    if found in _METADATA or _METADATA & inside:
        return False
    return allow_private or (not inside and _public(found))


def _v4_inside(address: IPv4Address | IPv6Address) -> frozenset[IPv4Address]:
    """Give the IPv4 addresses to which a gateway may lead on."""
    if isinstance(address, IPv4Address):
        return frozenset()
    bits = int(address)
    found = {bits >> after & 0xFFFFFFFF for net, after in _V4_INSIDE if address in net}
    if bits >> 32 & 0xFFFFFFFF in _ISATAP:
        found.add(bits & 0xFFFFFFFF)
    if address in _NAT64_OWN:
        # Behind a prefix of 48 bits it stands around the octet that is kept empty (RFC 6052 section 2.2).
        found.add((bits >> 64 & 0xFFFF) << 16 | bits >> 40 & 0xFFFF)
    return frozenset(map(IPv4Address, found))


def _public(address: IPv4Address | IPv6Address) -> bool:
    inside = address.is_multicast or address.is_reserved or address.is_private
    return address.is_global and not inside and not any(address in net for net in _NO_RECEIVERS)
