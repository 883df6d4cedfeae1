"""The end-to-end acknowledgement: what gateways are owed, and when each is told."""

from __future__ import annotations

import json
from collections.abc import Sequence

from alerts.channels.advice import KINDS
from deploy.batch import Position
from deploy.clock import monotonic_ms
from ingest.source import Source
from models.units import rfc3339

_NEVER_MS = -(10**9)


class Owed:
    """Positions that are durable and not told yet; each truck is told at most every so often."""

    def __init__(self, source: Source, root: str, every_ms: int) -> None:
        self._source = source
        self._root = root
        self._every_ms = every_ms
        self._owed: dict[str, Position] = {}
        self._told_ms: dict[str, int] = {}

    def __bool__(self) -> bool:
        return bool(self._owed)

    def owe(self, positions: Sequence[Position]) -> None:
        """Remember up to where data are safe now."""
        self._owed.update({position.vehicle: position for position in positions})

    def publish(self, *, everything: bool) -> None:
        """Tell gateways up to where their data are safe, each not more often than it needs."""
        now_ms = monotonic_ms()
        due = [
            vehicle
            for vehicle in self._owed
            if everything or now_ms - self._told_ms.get(vehicle, _NEVER_MS) >= self._every_ms
        ]
        for vehicle in due:
            position = self._owed.pop(vehicle)
            self._told_ms[vehicle] = now_ms
            self._source.publish(
                f"{self._root}/{vehicle}/received", received(position), retain=True
            )

    def forget(self, vehicle: str) -> None:
        """Take back what a truck was told, and what the broker keeps for it."""
        self._owed.pop(vehicle, None)
        self._told_ms.pop(vehicle, None)
        topics = ["received", "status", *(f"advice/{kind}" for kind in KINDS)]
        for topic in topics:
            self._source.publish(f"{self._root}/{vehicle}/{topic}", b"", retain=True)


def received(position: Position) -> bytes:
    """Write the end-to-end acknowledgement of the contract."""
    return json.dumps({"time": rfc3339(position.time_ms), "seq": position.seq}).encode()
