"""Samples that are committed go on to InfluxDB, in a thread of its own that nothing waits for.

The journal is the queue and the store has the place in it, so that the server may be away for days and a
process may die at any moment: what was not written down as sent is sent again, and counts once.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from random import Random, SystemRandom
from time import thread_time

import structlog

from deploy.influx_section import Influx
from deploy.influx_sending import Delivery, deliver, unreadable
from deploy.influx_sums import Sums
from deploy.settings import Settings
from ingest import feed
from ingest.archive import ArchiveError
from ingest.backoff import delay_s
from ingest.feed import Refused, Sent
from ingest.feed_batch import DAY_MS, Part, Rows, stretch, together
from ingest.influx_lines import head, lines, sample_columns
from ingest.influx_session import Session, Trouble, quoted
from review.joined import joined
from review.store import Clock, Store

log = structlog.get_logger()

SAMPLES = "samples"

LEAST_S, MOST_S = 1.0, 60.0
"""The first rest after a failure, and the longest [s]; a server that names another has it."""

STORE_REST_S = 10.0
"""The rest where it is the store that fails [s]."""

MARGIN_MS = 60_000
"""Samples that the bucket would drop within so long are not sent: the server's clock is not ours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """What a feeder goes by. ``buckets``: what each keeps [s]; they are made where they are missing."""

    influx: Influx
    buckets: dict[str, int]
    max_gap_ms: int


class InfluxFeeder:
    """Sends what the store has and the server has not."""

    def __init__(
        self,
        store: Store,
        session: Session,
        job: Job,
        *,
        now_ms: Clock,
        rng: Random | None = None,
    ) -> None:
        self._store = store
        self._session = session
        self._job = job
        self._now_ms = now_ms
        self._rng = rng or SystemRandom()
        self._rows = Rows()
        self._sums = Sums(store, max_gap_ms=job.max_gap_ms)
        self._ready = False
        self._keep_s = job.influx.keep_s
        self._failures = 0
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="influx", daemon=True)

    def start(self) -> None:
        """Begin to send."""
        self._thread.start()

    def stop(self, timeout_s: float = 20.0) -> bool:
        """End after the request now being made; false when that took longer than the time."""
        self._stopping.set()
        ended = joined(self._thread, timeout_s)
        if ended:
            self._session.close()
        return ended

    def once(self) -> bool:
        """Send what is next; true while there is more.

        Raises
        ------
        sqlite3.DatabaseError
            The store cannot be read or written.
        """
        return self._turn() == 0.0

    def _run(self) -> None:
        rest_s = 0.0
        while not self._stopping.wait(rest_s):
            try:
                began_s = thread_time()
                rest_s = self._turn()
                # Half of a core at most, whatever has piled up: the committer comes first.
                rest_s = max(rest_s, thread_time() - began_s)
            except sqlite3.DatabaseError as error:
                log.error("influx.crashed", reason=str(error))
                rest_s = STORE_REST_S
            except Exception:
                log.exception("influx.crashed")
                rest_s = STORE_REST_S

    def _turn(self) -> float:
        """Do what is next; tell how long to rest after it [s]."""
        try:
            more = self._work()
        except Trouble as trouble:
            return self._failed(trouble)
        self._recovered()
        return 0.0 if more else self._job.influx.every_s

    def _work(self) -> bool:
        if not self._ready:
            self._begin()
        if self._erase():
            return True
        more = self._send_rows()
        if not more:
            more = self._send_again()
        return self._send_sums() or more

    def _begin(self) -> None:
        influx = self._job.influx
        with self._store.write() as tx:
            feed.begin(tx, influx.place)
        if influx.set_up:
            for bucket, keep_s in self._job.buckets.items():
                kept_s = self._session.keep_s(bucket)
                if kept_s is None:
                    self._session.make_bucket(bucket, keep_s)
                    log.info("influx.bucket_made", bucket=bucket, keep_s=keep_s)
                elif bucket == influx.bucket:
                    self._keep_s = kept_s
        self._ready = True

    def _erase(self) -> bool:
        with self._store.read() as conn:
            row = conn.execute(
                "SELECT id, vehicle FROM feed_erase ORDER BY id LIMIT 1"
            ).fetchone()
        if row is None:
            return False
        number, vehicle = row
        for bucket in self._job.buckets:
            self._session.delete(bucket, f"vehicle={quoted(vehicle)}")
        with self._store.write() as tx:
            tx.execute("DELETE FROM feed_erase WHERE id = ?", (number,))
        log.info("influx.erased")
        return True

    def _send_rows(self) -> bool:
        with self._store.read() as conn:
            batch = self._rows.after(conn, feed.reached(conn), self._job.influx.batch_points)
        if batch is None:
            return False
        sent = self._send(batch.parts)
        with self._store.write() as tx:
            feed.advance(tx, batch.journal_id, sent, self._now_ms())
            feed.sum_up(tx, {hour for part in batch.parts for hour in part.hours})
        self._rows.sent(batch)
        return True

    def _send_again(self) -> bool:
        """Send a day of a span that the archive has, or that somebody asked for."""
        with self._store.read() as conn:
            row = conn.execute(
                "SELECT id, vehicle_id, first_ms, end_ms FROM feed_again ORDER BY id LIMIT 1"
            ).fetchone()
            if row is None:
                return False
            number, vehicle_id, first_ms, end_ms = row
            first_ms = max(first_ms, self._oldest_ms())
            next_ms = min(first_ms // DAY_MS * DAY_MS + DAY_MS, end_ms)
            try:
                part = stretch(conn, vehicle_id=vehicle_id, first_ms=first_ms, end_ms=next_ms)
            except ArchiveError as error:
                unreadable(error)
                part = None
        sent = self._send([] if part is None else [part])
        with self._store.write() as tx:
            if next_ms >= end_ms:
                tx.execute("DELETE FROM feed_again WHERE id = ?", (number,))
            else:
                tx.execute("UPDATE feed_again SET first_ms = ? WHERE id = ?", (next_ms, number))
            feed.count(tx, sent, self._now_ms())
            feed.sum_up(tx, set() if part is None else part.hours)
        self._rows.newest_ms.pop(vehicle_id, None)  # it may be in what was sent now
        return True

    def _send_sums(self) -> bool:
        due = self._sums.due(self._now_ms())
        if not due.hours:
            return False
        write = partial(self._session.write, self._job.influx.sums_bucket)
        done = deliver(write, due.lines) if due.lines else Delivery()
        for reason in done.refused.values():
            log.error("influx.refused", reason=reason)
        self._sums.done(due)
        return True

    def _send(self, parts: Sequence[Part]) -> Sent:
        names, samples = together(parts)
        fresh = samples["time_ms"] >= self._oldest_ms()
        names = [name for name, keep in zip(names, fresh.tolist(), strict=True) if keep]
        old = expired = len(samples) - len(names)
        samples = samples[fresh]
        if not names:
            return Sent(points=0, expired=expired)
        heads = {name: head(SAMPLES, {"vehicle": name}) for name in set(names)}
        made = lines(
            [heads[name] for name in names], samples["time_ms"], sample_columns(samples)
        )
        refused: list[Refused] = []
        step = self._job.influx.batch_points
        for start in range(0, len(made), step):
            done = deliver(
                partial(self._session.write, self._job.influx.bucket),
                made[start : start + step],
            )
            expired += done.expired
            for place, reason in done.refused.items():
                row = start + place
                refused.append(
                    Refused(
                        vehicle=names[row],
                        time_ms=int(samples["time_ms"][row]),
                        line=made[row],
                        reason=reason,
                        refused_ms=self._now_ms(),
                    )
                )
        for each in refused:
            log.error("influx.refused", vehicle=each.vehicle, reason=each.reason)
        points = len(made) - len(refused) - (expired - old)
        return Sent(points=points, expired=expired, refused=refused)

    def _oldest_ms(self) -> int:
        if self._keep_s == 0:
            return -(2**62)
        return self._now_ms() - self._keep_s * 1000 + MARGIN_MS

    def _failed(self, trouble: Trouble) -> float:
        if self._failures == 0:
            _say(trouble)
        with self._store.read() as conn:
            known = feed.state(conn)
        if known is not None and (known.trouble, known.reason) != (
            trouble.kind,
            trouble.reason,
        ):
            with self._store.write() as tx:
                feed.troubled(tx, trouble.kind, trouble.reason, self._now_ms())
        rest_s = delay_s(self._failures, least=LEAST_S, most=MOST_S, rng=self._rng)
        self._failures += 1
        return max(rest_s, trouble.wait_s)

    def _recovered(self) -> None:
        if self._failures:
            log.info("influx.back", after_failures=self._failures)
            with self._store.write() as tx:
                feed.troubled(tx, "", "", self._now_ms())
        self._failures = 0


def _say(trouble: Trouble) -> None:
    if trouble.kind == "settings":
        log.error("influx.misconfigured", reason=trouble.reason)
    else:
        log.warning("influx.away", reason=trouble.reason)


def feeder(settings: Settings, store: Store, now_ms: Clock) -> InfluxFeeder:
    """Give the feeder by the settings, which have ``[influx]``."""
    influx = settings.influx
    if influx is None:
        raise ValueError("the settings have no [influx]")
    return InfluxFeeder(
        store,
        Session(influx.access()),
        Job(
            influx=influx,
            buckets=influx.buckets(archive=settings.archive.kind == "influx"),
            max_gap_ms=round(settings.models.max_gap_s * 1000.0),
        ),
        now_ms=now_ms,
    )
