"""The page to read first: what happens to a batch of messages.

Decode, fold, find, note, queue: all in one transaction. When ``commit`` returns, everything
that came of the batch is on disk, and only then may its messages be acknowledged. When it
raises, nothing happened.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import structlog
from numpy.typing import NDArray

from deploy import erasure
from deploy.aside import Aside
from deploy.batch import Counts, Part, Position, Rules
from deploy.clock import monotonic_ms
from deploy.database import Database, store_failed
from deploy.findings import tell, tell_of_then
from deploy.gateway_notes import note_position, note_sequence, note_status
from deploy.held_trucks import HeldTrucks, caught_up
from deploy.postponing import TURN_MS, Postponing, fold_or_postpone
from deploy.record_intake import take_up, tell_done
from deploy.standstill import or_stopped
from ingest import held as holding
from ingest import inbox, record
from ingest.archive import ArchiveError
from ingest.codec import join
from ingest.decoded import Decoded, Refused
from ingest.fold import fold, rerun, save
from ingest.held import Held
from ingest.message import Message
from ingest.wire import decode
from review.trucks import CourseOf

log = structlog.get_logger()

AGAIN_MS = 900_000
"""How long a truck's entries wait that need a month which cannot be read [ms]; own choice."""


class Pipeline:
    """Commits batches; holds the trucks' states between them."""

    def __init__(
        self,
        database: Database,
        *,
        registered: frozenset[str],
        courses: CourseOf,
        rules: Rules,
        now_ms: Callable[[], int],
    ) -> None:
        self.counts = Counts()
        self._database = database
        self._registered = self._in_file = registered
        self._courses = courses
        self._rules = rules
        self._now_ms = now_ms
        self._trucks = HeldTrucks()
        # Trucks whose entries we failed on: up to which, and until when they wait.
        self._given_up: dict[str, tuple[int, float]] = {}
        self._aside = Aside(
            limit_rows=rules.quarantine_rows, limit_bytes=rules.quarantine_bytes
        )
        self.postponing = Postponing(database, self._aside, rules.policy)

    @property
    def trucks(self) -> Mapping[str, Held]:
        """The trucks held, by name, as of the last commit."""
        return self._trucks

    def load(self) -> None:
        """Take up the trucks of the store; rebuild those whose models or parameters have changed."""
        with self._database.read() as conn:
            names = [row[0] for row in conn.execute("SELECT name FROM vehicle ORDER BY id")]
            found = [
                holding.load(
                    conn,
                    name,
                    self._courses(name, record.effective(conn, name, taken_only=True)),
                    self._rules.model_version,
                )
                for name in names
            ]
            self._registered |= record.registered(conn)
        held = [truck for truck in found if truck is not None]
        with self._database.read() as conn:  # to open one costs more than to read a truck
            for truck in held:
                if truck.last_ms != holding.NEVER_MS:
                    self._trucks.put(or_stopped(truck, partial(caught_up, conn)))
        for truck in held:
            if truck.last_ms == holding.NEVER_MS:
                self._trucks.put(or_stopped(truck, self._rebuild))
        self.commit_record()

    def commit(self, messages: Sequence[Message]) -> list[Position]:
        """Commit a batch durably; give the position of each truck that was heard.

        A message that the models or the store fail on is a fault of ours; it is found by
        halves, put aside with its bytes, and the others are committed.

        Raises
        ------
        sqlite3.DatabaseError
            The store cannot be written now (disk full, locked) or is damaged; nothing was
            committed.
        """
        try:
            return self._commit(lambda _: messages)
        except Exception as error:
            if store_failed(error):
                raise
            log.exception("message.failed", count=len(messages))
            if len(messages) == 1:
                with self._database.write() as tx:
                    self._aside.given_up(tx, messages[0], error, self._now_ms())
                self.counts.give_up()
                return []
        middle = len(messages) // 2
        found = self.commit(messages[:middle]) + self.commit(messages[middle:])
        return list({position.vehicle: position for position in found}.values())

    def commit_past(self, name: str, samples: NDArray[Any]) -> None:
        """Commit a stretch of one truck's past (records ``SAMPLE``, newer than all it has).

        It comes in an order of its own, not as messages: alarms are dated when they would have
        been raised, and nobody is told who would not have been.
        """
        now_ms = self._now_ms()
        with self._database.write() as tx:
            truck = replace(self._known(tx, name, now_ms), heard_ms=now_ms)
            holding.save_heard(tx, truck)
            folded = fold(tx, truck, samples, received_ms=now_ms)
            tell_of_then(tx, name, folded, self._rules.policy)
            kept = save(tx, folded)
        self._trucks.put(kept)
        self.counts.received += len(samples)
        self.counts.stored += folded.stored
        self.counts.repeated += folded.repeated

    def commit_inbox(self) -> list[Position]:
        """Commit the next message that people put in by hand, if any; one that fails goes back."""
        with self._database.read() as conn:
            if not inbox.waiting(conn):
                return []
        try:
            return self._commit(inbox.take)
        except Exception as error:
            if store_failed(error):
                raise
            log.exception("message.failed", count=1)
            with self._database.write() as tx:
                for message in inbox.take(tx):
                    self._aside.given_up(tx, message, error, self._now_ms())
                    self.counts.give_up()
            return []

    def commit_postponed(self) -> list[Position]:
        """Commit what trucks had waiting for the archive, as far as their months can be read again."""
        changed: dict[str, Held] = {}
        until_ms = monotonic_ms() + TURN_MS
        while self.postponing.readable and monotonic_ms() < until_ms:
            truck, self.counts = self.postponing.commit(
                self._trucks, self.counts, self._now_ms()
            )
            if truck is not None:
                self._trucks.put(truck)
                changed[truck.name] = truck
        return _positions(changed.values())

    def flush(self, limit: int | None = None) -> None:
        """Write states that have moved on, at most so many, the longest waiting first."""
        with self._database.write() as tx:
            saved = self._trucks.save(tx, limit)
        self._trucks.put(*saved)

    def commit_erasures(self) -> list[str]:
        """Take out the trucks that are to be erased; give their names."""
        with self._database.read() as conn:
            asked = erasure.waiting(conn)
        for each in asked:
            with self._database.write() as tx:
                erasure.erase_rows(tx, each, self._now_ms())
            self._trucks.forget(each.vehicle)
            self._given_up.pop(each.vehicle, None)
            self._registered -= {each.vehicle} - self._in_file
        return [each.vehicle for each in asked]

    def commit_record(self) -> None:
        """Take up what people have entered in the service record, truck by truck."""
        with self._database.read() as conn:
            waiting = {name: record.newest(conn, name) for name in record.pending(conn)}
        for name, newest in waiting.items():
            failed, until_ms = self._given_up.get(name, (None, 0.0))
            if failed == newest and monotonic_ms() < until_ms:
                continue
            try:
                self._take_up(name)
            except Exception as error:
                if store_failed(error):
                    raise
                # A fault of ours, or of the archive, which may pass; no other truck is touched.
                log.exception("record.failed", vehicle=name)
                away = isinstance(error, ArchiveError)
                self._given_up[name] = newest, monotonic_ms() + AGAIN_MS if away else math.inf

    def _take_up(self, name: str) -> None:
        now_ms = self._now_ms()
        with self._database.write() as tx:
            taken = take_up(
                tx,
                name,
                self._trucks,
                courses=self._courses,
                model_version=self._rules.model_version,
            )
            if taken.folded is not None:
                tell(tx, name, taken.folded, now_ms, self._rules.policy, rebuilt=True)
                tell_done(tx, taken.folded.held, now_ms, self._rules.policy)
        if taken.folded is not None:
            self._trucks.put(taken.folded.held)
        self._registered -= {name} - self._in_file
        self._registered |= {name} if taken.registered else set()
        log.info("record.taken", vehicle=name, entries=len(taken.entries))

    def _commit(self, get: Callable[[sqlite3.Connection], Sequence[Message]]) -> list[Position]:
        now_ms = self._now_ms()
        counts = self.counts.copy()
        with self._database.write() as tx:
            messages = get(tx)
            parts = [
                Part(message=message, decoded=self._decode(message, now_ms))
                for message in messages
            ]
            for part in parts:
                self._aside.message(tx, part.message.topic, part.decoded, now_ms)
                counts.take(part.decoded)
            changed = self._fold_all(tx, parts, now_ms, counts)
            note_position(tx, len(messages), now_ms)
        counts.commits += 1
        self.counts = counts
        self._trucks.put(*changed.values())
        return _positions(changed.values())

    def _decode(self, message: Message, now_ms: int) -> Decoded:
        if not message.payload and message.topic.endswith("/status"):
            return Decoded(vehicle=None, kind="status")  # a retained one was cleared: of nobody
        one = decode(message.topic, message.payload, now_ms=now_ms, rules=self._rules.wire)
        unknown = one.vehicle is not None and one.vehicle not in self._registered
        if not (self._rules.refuse_unregistered and unknown and one.kind != "refused"):
            return one
        refused = Refused(
            reason="unregistered",
            field="topic",
            detail=(
                f"the truck {one.vehicle} is not in the fleet file; add "
                f"[vehicles.{one.vehicle}], or "
                'set wire.unregistered = "accept"'
            ),
            raw=message.payload,
        )
        return Decoded(vehicle=one.vehicle, kind="refused", refused=(refused,))

    def _rebuild(self, truck: Held) -> Held:
        now_ms = self._now_ms()
        with self._database.write() as tx:
            folded = rerun(tx, truck)
            tell(tx, truck.name, folded, now_ms, self._rules.policy, rebuilt=True)
            if folded.held.last_ms == holding.NEVER_MS:
                return folded.held
            return holding.save(tx, folded.held)

    def _fold_all(
        self, tx: sqlite3.Connection, parts: Sequence[Part], now_ms: int, counts: Counts
    ) -> dict[str, Held]:
        """Fold what came, truck by truck; give the changed trucks, to be taken over after commit."""
        by_truck: dict[str, list[Part]] = {}
        for part in parts:
            name = part.decoded.vehicle
            # What was refused whole concerns only a truck that is known by something better.
            if name is not None and (part.decoded.kind != "refused" or name in self._trucks):
                by_truck.setdefault(name, []).append(part)
        changed: dict[str, Held] = {}
        for name, own in by_truck.items():
            truck = self._known(tx, name, now_ms)
            changed[name] = self._fold_one(tx, truck, own, now_ms, counts)
        return changed

    def _known(self, tx: sqlite3.Connection, name: str, now_ms: int) -> Held:
        """Give a truck; one that was never heard is taken in."""
        if name in self._trucks:
            return self._trucks[name]
        course = self._courses(name, record.effective(tx, name, taken_only=True))
        return holding.introduce(tx, name, course, self._rules.model_version, now_ms)

    def _fold_one(
        self,
        tx: sqlite3.Connection,
        truck: Held,
        parts: Sequence[Part],
        now_ms: int,
        counts: Counts,
    ) -> Held:
        away_ms = 0
        if any(part.live for part in parts):
            away_ms = now_ms - truck.heard_ms
            truck = replace(truck, heard_ms=now_ms)
            holding.save_heard(tx, truck)
        decoded = [part.decoded for part in parts]
        truck = note_status(tx, truck, decoded)
        samples = [one.samples for one in decoded if len(one.samples)]
        if not samples:
            return note_sequence(tx, truck, decoded, away_ms)
        outcome = fold_or_postpone(
            tx,
            truck,
            samples[0] if len(samples) == 1 else join(samples),
            received_ms=now_ms,
        )
        counts.received -= outcome.waiting  # counted where they end up, once they do
        counts.repeated += outcome.known
        if outcome.folded is not None:
            truck = self.postponing.take_in(tx, outcome.folded, counts, now_ms)
        return note_sequence(tx, truck, decoded, away_ms)


def _positions(trucks: Iterable[Held]) -> list[Position]:
    """Say how far trucks are committed."""
    return [
        Position(vehicle=truck.name, time_ms=truck.last_ms, seq=truck.sequence.gap_free)
        for truck in trucks
        if truck.last_ms != holding.NEVER_MS
    ]
