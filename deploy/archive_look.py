"""Looks whether what trucks wait for can be read again, in a thread of its own: nothing waits for that."""

from __future__ import annotations

import threading
from collections import deque

import structlog

from ingest import postponed, sealed
from ingest.archive import Archive, ArchiveAway, ArchiveError
from review.joined import joined
from review.store import Store

log = structlog.get_logger()

EVERY_S = 2.0
"""How often is looked while something waits [s]; own choice."""

AT_ONCE = 50
"""Trucks that are looked at in one go; own choice."""


class ArchiveLook:
    """Says which trucks can be taken up again, to ``Postponing``."""

    def __init__(self, store: Store, readable: deque[int]) -> None:
        self._store = store
        self._readable = readable
        self._after_id = 0
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="archive look", daemon=True)

    def start(self) -> None:
        """Begin to look."""
        self._thread.start()

    def stop(self, timeout_s: float = 20.0) -> bool:
        """End after the answer that is awaited; false when that took longer than the time."""
        self._stopping.set()
        return joined(self._thread, timeout_s)

    def once(self) -> None:
        """Look at some of the trucks that wait, once those seen before are taken up."""
        if self._readable:
            return
        with self._store.read() as conn:
            found = postponed.trucks(conn, after_id=self._after_id, limit=AT_ONCE)
        self._after_id = found[-1] if len(found) == AT_ONCE else 0
        for vehicle_id in found:
            if not self._stopping.is_set() and self._can_be_read(vehicle_id):
                self._readable.append(vehicle_id)

    def _can_be_read(self, vehicle_id: int) -> bool:
        """Ask for each month from which its oldest sample would be run on, and the one before."""
        with self._store.read() as conn:
            since_ms = postponed.first_ms(conn, vehicle_id=vehicle_id)
            months = sealed.months(conn, vehicle_id=vehicle_id)
            try:
                archive: Archive | None = sealed.archive_of(conn) if months else None
            except ArchiveAway:
                return False
        if since_ms is None or archive is None:
            return True
        older = [each for each in months if each.last_ms < since_ms][-1:]
        try:
            for each in [*older, *(each for each in months if each.last_ms >= since_ms)]:
                archive.read(each.name, each.first_ms, each.first_ms)
        except ArchiveAway:
            return False
        except ArchiveError:
            return True  # what needs that month is put aside by whoever takes it up
        return True

    def _run(self) -> None:
        failed = False
        while not self._stopping.wait(EVERY_S):
            try:
                self.once()
            except Exception:  # a fault of ours must not end the looking
                if not failed:
                    log.exception("look.failed", look="postponed")
                failed = True
            else:
                failed = False
