"""The trucks held between commits, and whose states are still to be written."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from itertools import islice

from ingest import held as holding
from ingest.fold import catch_up
from ingest.held import Held

OPEN_STATES = 4_096
"""How many states are held open; own choice. Open, one takes 22 kB; packed, some 6 kB, and opening and
packing it again some 0.2 ms."""


class HeldTrucks(dict[str, Held]):
    """Trucks by name, as of the last commit; the states of those that were heard longest ago are packed."""

    def __init__(self, open_states: int = OPEN_STATES) -> None:
        super().__init__()
        self._limit = open_states
        self._open: dict[str, None] = {}  # in the order in which they were put
        self._unsaved: dict[str, None] = {}  # in the order in which they began to wait

    def put(self, *trucks: Held) -> None:
        """Hold trucks as they are now."""
        for truck in trucks:
            self[truck.name] = truck
            if truck.unsaved:
                self._unsaved.setdefault(truck.name)
            else:
                self._unsaved.pop(truck.name, None)
            self._open.pop(truck.name, None)
            if truck.is_open:
                self._open[truck.name] = None
        while len(self._open) > self._limit:
            self._pack_away(next(iter(self._open)))

    def forget(self, name: str) -> None:
        """Hold a truck no longer; nothing of it is to be written."""
        self.pop(name, None)
        self._open.pop(name, None)
        self._unsaved.pop(name, None)

    def _pack_away(self, name: str) -> None:
        del self._open[name]
        self[name] = replace(self[name], kept=self[name].packed)

    def save(self, tx: sqlite3.Connection, limit: int | None) -> list[Held]:
        """Write states that have moved on since they were last written, the longest waiting first."""
        return [holding.save(tx, self[name]) for name in islice(self._unsaved, limit)]


def caught_up(conn: sqlite3.Connection, truck: Held) -> Held:
    """Give a truck as the journal has it; what it has gained is to be written, so that it is run once."""
    after = catch_up(conn, truck)
    return replace(after, unsaved=after.last_ms != truck.last_ms)
