"""Messages that cannot be judged yet: the clock reads less than it did, and what they say lies ahead of it.

They are not acknowledged, so nothing is lost: the window fills and the broker keeps the rest.
"""

from __future__ import annotations

from collections.abc import Sequence

import structlog

from deploy.steady_clock import SteadyClock
from ingest.decoded import WireRules
from ingest.message import Message
from ingest.wire import decode

log = structlog.get_logger()

ANY_TIME_MS = 2**53
"""So late that no sample is refused for being ahead [ms]."""

MOST = 5_000
"""Messages that are kept beside those that wait for our acknowledgement, which a window bounds: what came at
QoS 0, or over an earlier connection."""


class Waiting:
    """What waits for the clock; used by the committer alone."""

    def __init__(self, clock: SteadyClock | None, rules: WireRules) -> None:
        self._clock = clock
        self._rules = rules
        self._kept: list[Message] = []

    def __len__(self) -> int:
        """Give how many wait."""
        return len(self._kept)

    def ripe(self, messages: Sequence[Message], connection: int) -> Sequence[Message]:
        """Give what can be taken in now, with what waited before it.

        ``connection``: what an earlier one brought without being acknowledged comes again, unless the
        broker has lost it: so it is kept until it does.
        """
        clock = self._clock
        if clock is None or not (self._kept or (messages and clock.in_doubt)):
            return messages
        waited = len(self._kept)
        again = {(each.topic, each.payload) for each in messages}
        found = [
            *(
                each
                for each in self._kept
                if not _earlier(each, connection) or (each.topic, each.payload) not in again
            ),
            *messages,
        ]
        if not clock.must_wait(newest_of(found, self._rules)):
            self._kept = []
            return found
        if not waited:
            log.error("clock.behind", messages=len(found))
        self._kept = _bounded(found, connection)
        return []


def newest_of(messages: Sequence[Message], rules: WireRules) -> dict[str, int]:
    """Give the newest sample time of each truck in what just came [Unix ms]."""
    found: dict[str, int] = {}
    for message in messages:
        if message.retain:
            continue
        one = decode(message.topic, message.payload, now_ms=ANY_TIME_MS, rules=rules)
        if one.vehicle is not None and len(one.samples):
            time_ms = int(one.samples["time_ms"].max())
            found[one.vehicle] = max(time_ms, found.get(one.vehicle, time_ms))
    return found


def _earlier(message: Message, connection: int) -> bool:
    return message.receipt is not None and message.receipt.connection != connection


def _bounded(messages: list[Message], connection: int) -> list[Message]:
    """Let go of the oldest of those that nobody waits for us to acknowledge, where they are too many."""
    free = [each.receipt is None or _earlier(each, connection) for each in messages]
    over = sum(free) - MOST
    places = [place for place, each in enumerate(free) if each][: max(0, over)]
    gone = frozenset(places)
    return [each for place, each in enumerate(messages) if place not in gone]
