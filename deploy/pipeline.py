"""The page to read first: what happens to a batch of messages.

Decode, fold, find, note, queue: all in one transaction. When ``commit`` returns, everything
that came of the batch is on disk, and only then may its messages be acknowledged. When it
raises, nothing happened.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import structlog
from numpy.typing import NDArray

from alerts import journal as alarm_journal
from alerts.policy import Policy
from deploy.database import Database
from deploy.trucks import ParamsOf
from ingest import held as holding
from ingest import inbox, quarantine, sequence
from ingest.codec import join
from ingest.decoded import Decoded, Refused, WireRules
from ingest.fold import Folded, fold, rerun
from ingest.held import Held
from ingest.message import Message
from ingest.wire import decode
from models.detectors import DETECTORS
from models.kernel import KINDS
from models.transition import Priority, Transition

log = structlog.get_logger()

_SEQ = re.compile(rb'"seq"\s*:\s*(\d{1,18})\s*[,}]')

_FINAL = frozenset(
    {
        "bad_time",
        "before_earliest",
        "missing",
        "naive_time",
        "no_signal",
        "not_finite",
        "out_of_range",
        "time_unit",
        "wrong_type",
    }
)
"""Refusals that no other try can cure, of samples that are surely this truck's. A sample refused for
its late or early clock, for our settings or for the size of its message may yet be accepted: whoever
keeps it must go on keeping it."""

_EVIDENCE: Mapping[str, tuple[str, ...]] = {
    **{detector.kind: detector.evidence for detector in DETECTORS},
    "gateway_silent": ("quiet_minutes",),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """What the pipeline goes by."""

    wire: WireRules
    quarantine_rows: int
    quarantine_bytes: int
    refuse_unregistered: bool
    policy: Policy
    model_version: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Position:
    """How far a truck's data are durably committed: newest sample time, highest gap-free counter."""

    vehicle: str
    time_ms: int
    seq: int | None


@dataclass(slots=True, kw_only=True)
class Counts:
    """Running totals since the start; received = stored + repeated + refused, in samples."""

    messages: int = 0
    stored: int = 0
    repeated: int = 0
    late: int = 0
    refused: int = 0
    commits: int = 0


class Pipeline:
    """Commits batches; holds the trucks' states between them."""

    def __init__(
        self,
        database: Database,
        *,
        registered: frozenset[str],
        params_of: ParamsOf,
        rules: Rules,
        now_ms: Callable[[], int],
    ) -> None:
        self.counts = Counts()
        self._database = database
        self._registered = registered
        self._params_of = params_of
        self._rules = rules
        self._now_ms = now_ms
        self._trucks: dict[str, Held] = {}

    @property
    def trucks(self) -> Mapping[str, Held]:
        """The trucks held, by name, as of the last commit."""
        return self._trucks

    def load(self) -> None:
        """Take up the trucks of the store; rebuild those whose models or parameters have changed."""
        with self._database.read() as conn:
            names = [row[0] for row in conn.execute("SELECT name FROM vehicle ORDER BY id")]
            found = [
                holding.load(conn, name, self._params_of(name), self._rules.model_version)
                for name in names
            ]
        for truck in found:
            if truck is not None:
                fit = truck.last_ms != holding.NEVER_MS
                self._trucks[truck.name] = truck if fit else self._rebuild(truck)

    def commit(self, messages: Sequence[Message]) -> list[Position]:
        """Commit a batch durably; give the position of each truck that was heard.

        A message that the models or the store fail on is a fault of ours; it is found by
        halves, put aside with its bytes, and the others are committed.

        Raises
        ------
        sqlite3.OperationalError
            The store cannot be written now (disk full, locked); nothing was committed.
        """
        try:
            return self._commit(lambda _: messages)
        except sqlite3.OperationalError:
            raise
        except Exception as error:
            log.exception("message.failed", count=len(messages))
            if len(messages) == 1:
                self._give_up_on(messages[0], error)
                return []
        middle = len(messages) // 2
        found = self.commit(messages[:middle]) + self.commit(messages[middle:])
        return list({position.vehicle: position for position in found}.values())

    def commit_inbox(self) -> list[Position]:
        """Commit what people put in by hand, if anything."""
        with self._database.read() as conn:
            if not inbox.waiting(conn):
                return []
        return self._commit(inbox.take)

    def _commit(self, get: Callable[[sqlite3.Connection], Sequence[Message]]) -> list[Position]:
        now_ms = self._now_ms()
        counts = replace(self.counts)
        with self._database.write() as tx:
            messages = get(tx)
            decoded = [self._decode(message, now_ms) for message in messages]
            for message, one in zip(messages, decoded, strict=True):
                self._set_aside(tx, message.topic, one, now_ms, counts)
            changed = self._fold_all(tx, decoded, now_ms, counts)
            _note_position(tx, len(messages), now_ms)
        counts.messages += len(messages)
        counts.commits += 1
        self.counts = counts
        self._trucks.update(changed)
        return [
            Position(vehicle=truck.name, time_ms=truck.last_ms, seq=truck.sequence.gap_free)
            for truck in changed.values()
            if truck.last_ms != holding.NEVER_MS
        ]

    def _decode(self, message: Message, now_ms: int) -> Decoded:
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

    def _give_up_on(self, message: Message, error: Exception) -> None:
        refused = Refused(
            reason="not_processed",
            field="payload",
            detail=f"the daemon failed on it with {type(error).__name__}: {error}",
            raw=message.payload,
        )
        with self._database.write() as tx:
            self._keep(tx, message.topic, None, refused, self._now_ms())
        self.counts.refused += 1

    def _rebuild(self, truck: Held) -> Held:
        now_ms = self._now_ms()
        with self._database.write() as tx:
            folded = rerun(tx, truck)
            self._tell(tx, truck.name, folded, now_ms)
            if folded.held.last_ms != holding.NEVER_MS:
                holding.save(tx, folded.held)
        return folded.held

    def _set_aside(
        self, tx: sqlite3.Connection, topic: str, one: Decoded, now_ms: int, counts: Counts
    ) -> None:
        for refused in one.refused:
            counts.refused += 1
            self._keep(tx, topic, one.vehicle, refused, now_ms)
        for name, times in one.unknown_fields.items():
            tx.execute(
                "INSERT INTO unknown_field VALUES (?, ?) "
                "ON CONFLICT (name) DO UPDATE SET times = times + excluded.times",
                (name, times),
            )

    def _keep(
        self,
        tx: sqlite3.Connection,
        topic: str,
        vehicle: str | None,
        refused: Refused,
        now_ms: int,
    ) -> None:
        quarantine.keep(
            tx,
            topic=topic,
            vehicle=vehicle,
            refused=refused,
            received_ms=now_ms,
            limit_rows=self._rules.quarantine_rows,
            limit_bytes=self._rules.quarantine_bytes,
        )

    def _fold_all(
        self, tx: sqlite3.Connection, decoded: Sequence[Decoded], now_ms: int, counts: Counts
    ) -> dict[str, Held]:
        """Fold what came, truck by truck; give the changed trucks, to be taken over after commit."""
        heard: dict[str, list[Decoded]] = {}
        for one in decoded:
            # What was refused whole concerns only a truck that is known by something better.
            if one.vehicle is not None and (
                one.kind != "refused" or one.vehicle in self._trucks
            ):
                heard.setdefault(one.vehicle, []).append(one)
        changed: dict[str, Held] = {}
        for name, parts in heard.items():
            truck = self._trucks.get(name)
            if truck is None:
                params = self._params_of(name)
                truck = holding.introduce(tx, name, params, self._rules.model_version, now_ms)
            changed[name] = self._fold_one(tx, truck, parts, now_ms, counts)
        return changed

    def _fold_one(
        self,
        tx: sqlite3.Connection,
        truck: Held,
        parts: Sequence[Decoded],
        now_ms: int,
        counts: Counts,
    ) -> Held:
        away_ms = now_ms - truck.heard_ms
        truck = replace(truck, heard_ms=now_ms)
        holding.save_heard(tx, truck)
        truck = _note_status(tx, truck, parts)
        samples = [part.samples for part in parts if len(part.samples)]
        if not samples:
            return _note_sequence(tx, truck, parts, away_ms)
        folded = fold(
            tx,
            truck,
            samples[0] if len(samples) == 1 else join(samples),
            received_ms=now_ms,
        )
        counts.stored += folded.stored
        counts.repeated += folded.repeated
        counts.late += folded.late
        for conflict in folded.conflicts:
            quarantine.keep_conflict(
                tx,
                vehicle=truck.name,
                time_ms=conflict.time_ms,
                signal=conflict.signal,
                value=conflict.value,
                received_ms=now_ms,
                limit_rows=self._rules.quarantine_rows,
                limit_bytes=self._rules.quarantine_bytes,
            )
        self._tell(tx, truck.name, folded, now_ms)
        truck = _note_sequence(tx, folded.held, parts, away_ms)
        if folded.stored:
            holding.save(tx, truck)
        return truck

    def _tell(self, tx: sqlite3.Connection, name: str, folded: Folded, now_ms: int) -> None:
        if folded.appending and not folded.events:
            return
        alarm_journal.rewrite(
            tx,
            vehicle=name,
            after_ms=folded.after_ms,
            transitions=transitions(name, folded.events),
            now_ms=now_ms,
            policy=self._rules.policy,
            appending=folded.appending,
        )


def transitions(vehicle: str, events: Sequence[NDArray[Any]]) -> list[Transition]:
    """Turn the kernel's events (records ``EVENT``) into transitions of a truck."""
    found: list[Transition] = []
    for block in events:
        for event in block:
            kind = KINDS[int(event["kind"])]
            found.append(
                Transition(
                    vehicle=vehicle,
                    kind=kind,
                    time_ms=int(event["time_ms"]),
                    onset_ms=int(event["onset_ms"]),
                    active=bool(event["active"]),
                    priority=Priority(int(event["priority"])),
                    probability=float(event["probability"]),
                    evidence={
                        name: float(value)
                        for name, value in zip(_EVIDENCE[kind], event["evidence"], strict=False)
                    },
                )
            )
    return found


def _note_status(tx: sqlite3.Connection, truck: Held, parts: Sequence[Decoded]) -> Held:
    for part in parts:
        if part.status is not None:
            tx.execute(
                "UPDATE vehicle SET online = ?, status_ms = ? WHERE id = ?",
                (int(part.status.online), part.status.time_ms, truck.vehicle_id),
            )
            truck = replace(truck, online=part.status.online)
    return truck


def _note_sequence(
    tx: sqlite3.Connection, truck: Held, parts: Sequence[Decoded], away_ms: int
) -> Held:
    arrived = [
        (time_ms, seq)
        for part in parts
        for time_ms, seq in zip(
            part.samples["time_ms"].tolist(), part.seqs.tolist(), strict=True
        )
        if seq >= 0
    ]
    refused = [
        int(found[0])
        for part in parts
        for one in part.refused
        # Two of them: one is another counter's.
        if one.reason in _FINAL and len(found := _SEQ.findall(one.raw)) == 1
    ]
    if not arrived and not refused:
        return truck
    noted = sequence.note(
        truck.sequence, arrived, refused=refused, received_ms=truck.heard_ms, away_ms=away_ms
    )
    if noted == truck.sequence:
        return truck
    truck = replace(truck, sequence=noted)
    holding.save_sequence(tx, truck)
    return truck


def _note_position(tx: sqlite3.Connection, messages: int, now_ms: int) -> None:
    tx.execute(
        "INSERT INTO source_position VALUES ('mqtt', ?, ?) ON CONFLICT (source) DO UPDATE "
        "SET messages = messages + excluded.messages, committed_ms = excluded.committed_ms",
        (messages, now_ms),
    )
