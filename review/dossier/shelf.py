"""Reviews that were made a moment ago: page, paper and package of a truck are asked for one after another."""

from __future__ import annotations

import sqlite3
import threading
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager

from ingest import record
from review.dossier.facts import Dossier
from review.dossier.gather import dossier_of
from review.dossier.span import USUAL_DAYS
from review.reading import Reader

AT_ONCE, IN_LINE = 2, 6
"""So many reviews are made at one time, each some seconds of a processor, and so many wait for a turn; who
comes then is told to come again. Each holds one of the threads that answer all pages; own choice."""

KEPT = 4
"""Reviews that are kept at once [-]."""

NEVER = 2**62
"""After all samples [Unix ms]."""

_Key = tuple[object, ...]

_AS_OF = """
SELECT vehicle.id, (SELECT basis FROM vehicle_state WHERE vehicle_id = vehicle.id),
    (SELECT max(id) FROM journal WHERE vehicle_id = vehicle.id AND first_ms < ?2),
    (SELECT max(last_ms) >= ?2 FROM journal WHERE vehicle_id = vehicle.id),
    (SELECT max(seq) FROM alarm_event WHERE alarm_id IN (SELECT id FROM alarm WHERE vehicle = ?1)),
    (SELECT max(seq) FROM attempt WHERE time_ms < ?2),
    (SELECT max(id) FROM quarantine WHERE vehicle = ?1)
FROM vehicle WHERE name = ?1
"""
#: All that a review up to ?2 rests on beside the record: what came later changes nothing of it.


class Busy(Exception):
    """Too many reviews are being made."""


class Shelf:
    """Keeps a few reviews; one is made anew as soon as anything that it rests on may have changed."""

    def __init__(self) -> None:
        self._kept: OrderedDict[_Key, Dossier] = OrderedDict()
        self._lock = threading.Lock()
        self._turns = threading.BoundedSemaphore(AT_ONCE)
        self._places = threading.BoundedSemaphore(AT_ONCE + IN_LINE)

    def review(
        self,
        conn: sqlite3.Connection,
        reader: Reader,
        truck: str,
        *,
        until_ms: int | None,
        days: int = USUAL_DAYS,
    ) -> Dossier:
        """Give a review, as ``gather.dossier_of`` does.

        Raises
        ------
        Busy
            Too many are being made.
        """
        key = (truck, until_ms, days, reader.version, *_as_of(conn, truck, until_ms))
        if (known := self._known(key)) is not None:
            return known
        with self._turn():
            if (known := self._known(key)) is not None:  # made while this one waited
                return known
            found = dossier_of(conn, reader, truck, until_ms=until_ms, days=days)
            self._keep(key, found)
        return found

    def _known(self, key: _Key) -> Dossier | None:
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
            return self._kept.get(key)

    def _keep(self, key: _Key, found: Dossier) -> None:
        with self._lock:
            self._kept[key] = found
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)

    @contextmanager
    def _turn(self) -> Iterator[None]:
        if not self._places.acquire(blocking=False):
            raise Busy
        try:
            with self._turns:
                yield
        finally:
            self._places.release()


def _as_of(conn: sqlite3.Connection, truck: str, until_ms: int | None) -> _Key:
    """Name all that a review of a truck rests on, as it stands."""
    row = conn.execute(_AS_OF, (truck, NEVER if until_ms is None else until_ms)).fetchone()
    return (*(row or ()), record.newest(conn, truck), *record.pending(conn))
