"""What we have to say to the broker: the newest payload per topic, until the broker has it."""

from __future__ import annotations

import threading
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Outgoing:
    """One message to publish at QoS 1."""

    topic: str
    payload: bytes
    retain: bool


class OutgoingBox:
    """Bounded: one entry per topic, and at most `limit` topics.

    A newer payload takes the place of one not yet sent: only the latest is worth anything. Past
    the limit the oldest entry is dropped and counted.
    """

    def __init__(self, limit: int) -> None:
        self._limit = limit
        self._lock = threading.Lock()
        self._waiting: dict[str, Outgoing] = {}
        self.dropped = 0

    def __len__(self) -> int:
        return len(self._waiting)

    def put(self, item: Outgoing) -> None:
        """Keep `item` in place of an earlier one for its topic."""
        with self._lock:
            self._waiting[item.topic] = item
            self._trim()

    def put_back(self, item: Outgoing) -> None:
        """Keep an item that was sent but not confirmed, unless a newer one has come."""
        with self._lock:
            self._waiting.setdefault(item.topic, item)
            self._trim()

    def next(self) -> Outgoing | None:
        """Take out the oldest entry."""
        with self._lock:
            topic = next(iter(self._waiting), None)
            return None if topic is None else self._waiting.pop(topic)

    def _trim(self) -> None:
        while len(self._waiting) > self._limit:
            del self._waiting[next(iter(self._waiting))]
            self.dropped += 1
