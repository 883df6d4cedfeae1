"""The move of history: what is older than the store keeps goes to the archive, what is too old goes for good.

One truck after the other, one month after the other; what fails is told and stops neither the others nor
the daemon. Each transaction is short, and between two of them whoever commits samples gets its turn.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial

import structlog

from deploy.archive_mark import claim_for
from deploy.archive_section import HistoryRules
from deploy.database import store_failed
from ingest import dropped, journal, orphans, postponed, sealed, sealing
from ingest.archive import Archive, ArchiveError, Month
from ingest.fold import as_of
from ingest.sealing import Draft
from review.reading import Reader
from review.store import Clock, Store

log = structlog.get_logger()

BREATH_S = 0.01
"""How long the move waits after each of its transactions [s]: whoever waits for the writer has it then."""

SETTLED_MS = 86_400_000
"""How long after its end a day is gathered [ms]: by then gateways have sent what they had stored."""


@dataclass(slots=True, kw_only=True)
class Moved:
    """What came of a move: months sealed and dropped, and what could not be done, in words."""

    months: int = 0
    samples: int = 0
    dropped: int = 0
    problems: list[str] = field(default_factory=list)


class Stopped(Exception):
    """The move was asked to end between two steps; the next one goes on from there."""


class HistoryMove:
    """Moves history; one at a time on a store, by whoever has the store for itself."""

    def __init__(
        self,
        store: Store,
        reader: Reader,
        rules: HistoryRules,
        *,
        now_ms: Clock,
        stopping: threading.Event | None = None,
    ) -> None:
        self._store = store
        self._reader = reader
        self._rules = rules
        self._now_ms = now_ms
        self._stopping = stopping or threading.Event()

    def run(self) -> Moved:
        """Move what is due now.

        Raises
        ------
        sqlite3.DatabaseError
            The store cannot be written; what was moved is moved.
        ArchiveError
            There is no archive, or it is another store's.
        Stopped
            It was asked to end.
        """
        moved = Moved()
        with self._store.read() as conn:
            archive = sealed.archive_of(conn)
            claim_for(conn, archive)
            trucks = conn.execute("SELECT id, name FROM vehicle ORDER BY id").fetchall()
            heard_ms = _heard_ms(conn, [vehicle_id for vehicle_id, _ in trucks])
        self._apart(moved, "", archive.sweep)
        self._apart(moved, "", partial(self._clear_orphans, archive, moved))
        for vehicle_id, name in trucks:
            self._apart(moved, name, partial(self._seal, archive, vehicle_id, moved))
            self._apart(moved, name, partial(self._gather, vehicle_id))
            self._apart(
                moved, name, partial(self._drop, archive, vehicle_id, name, heard_ms, moved)
            )
        return moved

    def _apart(self, moved: Moved, vehicle: str, work: Callable[[], None]) -> None:
        """Do what concerns one truck; a failure stays its own."""
        try:
            work()
        except Stopped:
            raise
        except (ArchiveError, OSError) as error:
            moved.problems.append(str(error))
            log.error("archive.failed", vehicle=vehicle, reason=str(error))
        except Exception as error:
            if store_failed(error):
                raise
            moved.problems.append(f"{vehicle}: {error!r}")
            log.exception("archive.failed", vehicle=vehicle)

    def _seal(self, archive: Archive, vehicle_id: int, moved: Moved) -> None:
        before_ms = self._now_ms() - self._rules.hot_ms
        from_ms = -(2**62)
        while True:
            with self._store.read() as conn:
                month = sealing.next_month(
                    conn, vehicle_id=vehicle_id, from_ms=from_ms, before_ms=before_ms
                )
            if month is None:
                break
            self._seal_month(archive, vehicle_id, month, moved)
            from_ms = month.end_ms
        with self._store.read() as conn:
            known = sealed.months(conn, vehicle_id=vehicle_id)
        for each in known:
            month = Month.parse(each.month)
            if each.max_gap_ms != self._rules.max_gap_ms:  # the setting has changed since
                self._seal_month(archive, vehicle_id, month, moved)
            elif month.end_ms > before_ms:
                self._finish(vehicle_id, month)

    def _seal_month(
        self, archive: Archive, vehicle_id: int, month: Month, moved: Moved
    ) -> None:
        with self._store.read() as conn:
            made = sealing.draft(
                conn, vehicle_id=vehicle_id, month=month, max_gap_ms=self._rules.max_gap_ms
            )
        if made is None:
            return
        if made.new:
            self._replace(archive, made)
            moved.months += 1
            moved.samples += len(made.contents.samples)
        self._clear(vehicle_id, made.contents.vehicle, made.rows, month)

    def _finish(self, vehicle_id: int, month: Month) -> None:
        """Clear what a move left that was cut short, by whose clock the month was over: by ours it is not."""
        with self._store.read() as conn:
            rows = sealing.left_over(conn, vehicle_id=vehicle_id, month=month)
            name = conn.execute(
                "SELECT name FROM vehicle WHERE id = ?", (vehicle_id,)
            ).fetchone()
        if rows:
            self._clear(vehicle_id, str(name[0]), rows, month)

    def _clear(self, vehicle_id: int, name: str, rows: Sequence[int], month: Month) -> None:
        for start in range(0, len(rows), sealing.SLICE_ROWS):
            self._breathe()
            with self._store.write() as tx:
                _still_there(tx, vehicle_id, name)
                sealing.clear(tx, rows[start : start + sealing.SLICE_ROWS], month=month)

    def _replace(self, archive: Archive, made: Draft) -> None:
        sealing.keep(archive, made.contents)
        self._breathe()
        now = made.sealed(self._now_ms())
        with self._store.read() as conn:
            sealing.sum_up_neighbours(conn, archive, now)
        with self._store.write() as tx:
            _still_there(tx, now.vehicle_id, made.contents.vehicle)
            sealed.enroll(tx, now)
        if made.before is not None and made.before.name != made.contents.name:
            archive.discard(made.before.name)

    def _gather(self, vehicle_id: int) -> None:
        before_ms = self._now_ms() - SETTLED_MS
        with self._store.read() as conn:
            days = sealing.scattered_days(conn, vehicle_id=vehicle_id, before_ms=before_ms)
        for day_ms in days:
            self._breathe()
            with self._store.write() as tx:
                sealing.gather(tx, vehicle_id=vehicle_id, day_ms=day_ms)

    def _drop(
        self, archive: Archive, vehicle_id: int, name: str, heard_ms: int, moved: Moved
    ) -> None:
        if self._rules.keep_ms is None:
            return
        # What goes is gone: a clock that runs years ahead must not say how old it is.
        before_ms = min(self._now_ms(), heard_ms) - self._rules.keep_ms
        with self._store.read() as conn:
            if postponed.has(conn, vehicle_id=vehicle_id):
                return  # they are to count in the account that is left
            newest_ms = journal.newest_ms(conn, vehicle_id=vehicle_id)
            old = [
                each
                for each in sealed.months(conn, vehicle_id=vehicle_id)
                if Month.parse(each.month).end_ms <= before_ms and each.last_ms != newest_ms
            ]
            held = self._reader.truck(conn, name).held if old else None
            if held is None:  # nothing to drop, or no account from which it could go on
                return
            left = as_of(conn, held, old[-1].last_ms)
        self._breathe()
        with self._store.write() as tx:
            _still_there(tx, vehicle_id, name)
            if postponed.has(tx, vehicle_id=vehicle_id):
                return
            dropped.drop(
                tx,
                left,
                months=[each.month for each in old],
                samples=sum(each.samples for each in old),
                now_ms=self._now_ms(),
            )
        for each in old:
            archive.discard(each.name)
        moved.dropped += len(old)

    def _clear_orphans(self, archive: Archive, moved: Moved) -> None:
        with self._store.read() as conn:
            found: Sequence[orphans.Orphan] = orphans.find(conn, archive)
        for each in found:
            if each.problem is None:
                archive.discard(each.name)
            else:
                moved.problems.append(each.problem)
                log.error("archive.failed", vehicle="", reason=each.problem)

    def _breathe(self) -> None:
        if self._stopping.wait(BREATH_S):
            raise Stopped


def _still_there(tx: sqlite3.Connection, vehicle_id: int, name: str) -> None:
    """Refuse to write of a truck that was erased meanwhile; its number may be another's by now."""
    row = tx.execute("SELECT name FROM vehicle WHERE id = ?", (vehicle_id,)).fetchone()
    # One that has begun anew may have name and number of the one before. Erasures are finished between moves.
    erased = tx.execute(
        "SELECT 1 FROM erase_asked WHERE vehicle = ? AND erased_ms IS NOT NULL", (name,)
    ).fetchone()
    if row != (name,) or erased is not None:
        raise ArchiveError(
            f"{name} was erased while its history moved", "nothing is to be done"
        )


def _heard_ms(conn: sqlite3.Connection, vehicle_ids: Sequence[int]) -> int:
    """Give the time of the fleet's newest sample [Unix ms]."""
    newest = (journal.newest_ms(conn, vehicle_id=each) for each in vehicle_ids)
    return max((each for each in newest if each is not None), default=0)
