"""The trucks held between commits, and whose states are still to be written."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from itertools import islice

from ingest import held as holding
from ingest.fold import catch_up
from ingest.held import Held


class HeldTrucks(dict[str, Held]):
    """Trucks by name, as of the last commit."""

    def __init__(self) -> None:
        super().__init__()
        self._unsaved: dict[str, None] = {}  # in the order in which they began to wait

    def put(self, *trucks: Held) -> None:
        """Hold trucks as they are now."""
        for truck in trucks:
            self[truck.name] = truck
            if truck.unsaved:
                self._unsaved.setdefault(truck.name)
            else:
                self._unsaved.pop(truck.name, None)

    def forget(self, name: str) -> None:
        """Hold a truck no longer; nothing of it is to be written."""
        self.pop(name, None)
        self._unsaved.pop(name, None)

    def save(self, tx: sqlite3.Connection, limit: int | None) -> list[Held]:
        """Write states that have moved on since they were last written, the longest waiting first."""
        return [holding.save(tx, self[name]) for name in islice(self._unsaved, limit)]


def caught_up(conn: sqlite3.Connection, truck: Held) -> Held:
    """Give a truck as the journal has it; what it has gained is to be written, so that it is run once."""
    after = catch_up(conn, truck)
    return replace(after, unsaved=after.last_ms != truck.last_ms)
