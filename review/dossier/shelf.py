"""Reviews that were made a moment ago: page, paper and package of a truck are asked for one after another."""

from __future__ import annotations

import sqlite3
import threading
from collections import OrderedDict

from ingest import record
from review.dossier.facts import Dossier
from review.dossier.gather import dossier_of
from review.dossier.span import USUAL_DAYS
from review.reading import Reader

KEPT = 4
"""Reviews that are kept at once [-]."""

_Key = tuple[object, ...]

_AS_OF = """
SELECT vehicle.id, last_heard_ms, (SELECT basis FROM vehicle_state WHERE vehicle_id = vehicle.id),
    (SELECT max(id) FROM journal WHERE vehicle_id = vehicle.id),
    (SELECT coalesce(max(seq), 0) FROM alarm_event), (SELECT coalesce(max(seq), 0) FROM attempt)
FROM vehicle WHERE name = ?
"""


class Shelf:
    """Keeps a few reviews; one is made anew as soon as anything that it rests on may have changed."""

    def __init__(self) -> None:
        self._kept: OrderedDict[_Key, Dossier] = OrderedDict()
        self._lock = threading.Lock()

    def review(
        self,
        conn: sqlite3.Connection,
        reader: Reader,
        truck: str,
        *,
        until_ms: int | None,
        days: int = USUAL_DAYS,
    ) -> Dossier:
        """Give a review, as ``gather.dossier_of`` does."""
        key = (truck, until_ms, days, reader.version, *_as_of(conn, truck))
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key]
        found = dossier_of(conn, reader, truck, until_ms=until_ms, days=days)
        with self._lock:
            self._kept[key] = found
            while len(self._kept) > KEPT:
                self._kept.popitem(last=False)
        return found


def _as_of(conn: sqlite3.Connection, truck: str) -> _Key:
    """Name all that a review of a truck rests on, as it stands."""
    row = conn.execute(_AS_OF, (truck,)).fetchone()
    return (*(row or ()), record.newest(conn, truck), *record.pending(conn))
