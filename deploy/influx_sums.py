"""Sums by minute and hour for InfluxDB: made from the store for hours in which samples came, late ones too.

A task in the server looks at a stretch of time once and misses what comes after. Here an hour's sums are made
again whenever samples of it were sent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from numpy.typing import NDArray

from deploy.influx_sending import unreadable
from ingest import journal
from ingest.archive import ArchiveError
from ingest.influx_lines import head, lines
from ingest.influx_mark import SUMS
from ingest.influx_sums import sum_columns
from ingest.rollup import HOUR_MS, between, rollup
from review.store import Store

SETTLED_MS = 120_000
"""How long after its end an hour's sums are made [ms]: samples are a little late as a rule."""

AT_ONCE = 20
"""So many hours are summed up between two looks at the journal."""

_DUE = (
    "SELECT vehicle_id, hour_ms, vehicle.name FROM feed_hour LEFT JOIN vehicle ON "
    "vehicle.id = vehicle_id WHERE hour_ms < ? ORDER BY vehicle_id, hour_ms LIMIT ?"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """Hours of trucks, and the lines of their sums."""

    hours: Sequence[tuple[int, int]]
    lines: Sequence[str]


class Sums:
    """The hours whose sums are due."""

    def __init__(self, store: Store, *, max_gap_ms: int) -> None:
        self._store = store
        self._max_gap_ms = max_gap_ms

    def due(self, now_ms: int) -> Due:
        """Sum up the next hours that are over."""
        made: list[str] = []
        with self._store.read() as conn:
            rows = conn.execute(_DUE, (now_ms - HOUR_MS - SETTLED_MS, AT_ONCE)).fetchall()
            for vehicle_id, hour_ms, vehicle in rows:
                if vehicle is None:  # erased meanwhile
                    continue
                try:
                    about = journal.read(
                        conn,
                        vehicle_id=vehicle_id,
                        first_ms=hour_ms - self._max_gap_ms,
                        last_ms=hour_ms + HOUR_MS - 1 + self._max_gap_ms,
                    )
                except ArchiveError as error:
                    unreadable(error)
                    continue
                made += self._lines(vehicle, hour_ms, about)
        return Due(hours=[(vehicle_id, hour_ms) for vehicle_id, hour_ms, _ in rows], lines=made)

    def done(self, due: Due) -> None:
        """Write down that these are sent."""
        with self._store.write() as tx:
            tx.executemany(
                "DELETE FROM feed_hour WHERE (vehicle_id, hour_ms) = (?, ?)", due.hours
            )

    def _lines(self, vehicle: str, hour_ms: int, about: NDArray[Any]) -> list[str]:
        made: list[str] = []
        for step_ms, measurement in SUMS.items():
            whole = rollup(about, step_ms=step_ms, max_gap_ms=self._max_gap_ms)
            one = between(whole, hour_ms, hour_ms + HOUR_MS)
            first = [head(measurement, {"vehicle": vehicle})]
            made += lines(first, one.start_ms, sum_columns(one)) if len(one.start_ms) else []
        return made
