"""Guessing passwords is slow, and nobody is shut out by somebody who guesses.

Whoever fails a few times waits before the next try, longer each time, up to a minute. It counts by account
and by address. A browser with which somebody has signed in before is counted by itself alone: however long
others guess from elsewhere, people with their own phone come in.
"""

from __future__ import annotations

import ipaddress
import threading
from collections.abc import Hashable, Iterable
from dataclasses import dataclass

FREE = 5
"""So many tries in a row cost no wait; own choice."""

FIRST_MS, LONGEST_MS = 1_000, 60_000
"""The first wait, which then doubles, and the longest [ms]: with it an account is tried at most some 70 times
an hour, below the 100 that OWASP ASVS 4, 2.2.1, allows (from memory)."""

FORGET_MS = 3_600_000
"""After so long without a try all is as at first [ms]; own choice."""

REMEMBERED = 5_000
"""So many names and addresses that we do not know are kept in mind; own choice."""


@dataclass(slots=True)
class _Tries:
    count: int
    last_ms: int


class Throttle:
    """Counts tries that failed. Times are of a clock that never jumps [ms]."""

    def __init__(self) -> None:
        self._ours: dict[Hashable, _Tries] = {}
        self._strangers: dict[Hashable, _Tries] = {}
        self._lock = threading.Lock()

    def admit(
        self, *, ours: Iterable[Hashable], strangers: Iterable[Hashable], uptime_ms: int
    ) -> int:
        """Count a try, as one that fails until it is forgiven; or give how long to wait first [ms].

        ``ours``: what we know (accounts, browsers), of which there are only so many; ``strangers``: the rest.
        """
        places = [(self._ours, key) for key in ours]
        places += [(self._strangers, key) for key in strangers]
        with self._lock:
            waits = (_wait_ms(tries.get(key), uptime_ms) for tries, key in places)
            if (wait_ms := max(waits, default=0)) > 0:
                return wait_ms
            for tries, key in places:
                _count(tries, key, uptime_ms)
            while len(self._strangers) > REMEMBERED:
                del self._strangers[next(iter(self._strangers))]
        return 0

    def forgive(self, keys: Iterable[Hashable]) -> None:
        """Count no failures for these any more: somebody signed in."""
        with self._lock:
            for key in keys:
                self._ours.pop(key, None)
                self._strangers.pop(key, None)


def _wait_ms(tries: _Tries | None, uptime_ms: int) -> int:
    if tries is None or tries.count < FREE:
        return 0
    wait_ms = min(LONGEST_MS, FIRST_MS << min(tries.count - FREE, 20))
    return max(0, tries.last_ms + wait_ms - uptime_ms)


def _count(tries: dict[Hashable, _Tries], key: Hashable, uptime_ms: int) -> None:
    # Put back at the end: the first of the mapping is the one longest unheard of.
    known = tries.pop(key, None)
    if known is None or uptime_ms - known.last_ms > FORGET_MS:
        known = _Tries(0, uptime_ms)
    tries[key] = _Tries(known.count + 1, uptime_ms)


def network(address: str) -> str:
    """Give by what an address counts: of IPv6 the first 64 bits, for who has one has them all."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if found.version == 4:
        return str(found)
    return str(ipaddress.ip_network((found, 64), strict=False))
