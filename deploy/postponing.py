"""Late samples whose months cannot be read now: put off in the commit that brings them, taken up later.

An archive that is away is nobody's fault who sends. What its months are needed for waits in the store
(``ingest/postponed.py``), all else is committed, and nothing but the wait is lost. A month that is damaged is
another matter: what needs it goes to the quarantine, for somebody to mend.
"""

from __future__ import annotations

import json
import math
import sqlite3
from collections import deque
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
import structlog
from numpy.typing import NDArray

from alerts.policy import Policy
from deploy.aside import Aside
from deploy.batch import Counts
from deploy.database import Database, store_failed
from deploy.findings import tell
from ingest import postponed, sealed
from ingest.archive import ArchiveAway, ArchiveError
from ingest.fold import Folded, fold, save
from ingest.held import NEVER_MS, Held
from ingest.message import Message
from models.sample import SIGNALS

log = structlog.get_logger()

TURN_MS = 250
"""How long trucks are taken up before what comes in has its turn [ms]; own choice. One is not cut short."""

ENTRY_SAMPLES = 100
"""Samples of an entry of the quarantine, and so what is put aside together at least; own choice."""

_GIVEN = {"number": float, "integer": int, "boolean": bool}


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of samples: ``folded`` is None where all wait; ``known`` of them waited already."""

    folded: Folded | None
    waiting: int = 0
    known: int = 0


def fold_or_postpone(
    tx: sqlite3.Connection,
    truck: Held,
    samples: NDArray[Any],
    *,
    received_ms: int,
) -> Outcome:
    """Fold samples of one truck; those wait that need a month of the archive while it is away."""
    if truck.stopped or int(samples["time_ms"].min()) > truck.last_ms:
        return Outcome(folded=fold(tx, truck, samples, received_ms=received_ms))
    # A run from the midst of a month may begin in the one before: then all wait that are late.
    cuts = [sealed.newest_ms(tx, vehicle_id=truck.vehicle_id) or NEVER_MS, truck.last_ms]
    waits = postponed.has(tx, vehicle_id=truck.vehicle_id)
    if not waits:  # who waits for an archive is not made to wait for its answers too
        cuts.insert(0, NEVER_MS)
    for cut_ms in cuts[:-1]:
        try:
            return _cut(tx, truck, samples, cut_ms, received_ms=received_ms)
        except ArchiveAway as error:
            if not waits:
                log.warning("samples.postponed", vehicle=truck.name, reason=str(error))
            waits = True
    return _cut(tx, truck, samples, cuts[-1], received_ms=received_ms)


def _cut(
    tx: sqlite3.Connection,
    truck: Held,
    samples: NDArray[Any],
    cut_ms: int,
    *,
    received_ms: int,
) -> Outcome:
    """Put off what is not newer than a time, and fold the rest."""
    newer = samples["time_ms"] > cut_ms
    now, later = samples[newer], samples[~newer]
    with _apart(tx):
        folded = fold(tx, truck, now, received_ms=received_ms) if len(now) else None
        if not len(later):
            return Outcome(folded=folded)
        new = postponed.put(
            tx, vehicle_id=truck.vehicle_id, samples=later, received_ms=received_ms
        )
    count = len(later)
    return Outcome(folded=folded, waiting=count if new else 0, known=0 if new else count)


class Postponing:
    """Takes up what waited; used by the committer alone, but for ``readable``."""

    def __init__(self, database: Database, aside: Aside, policy: Policy) -> None:
        self.readable: deque[int] = deque()
        """Trucks, by number, whose months were seen to be readable (``deploy/archive_look.py``)."""
        self._database = database
        self._aside = aside
        self._policy = policy
        self._failing: set[int] = set()  # of whom that was said

    def take_in(
        self, tx: sqlite3.Connection, folded: Folded, counts: Counts, now_ms: int
    ) -> Held:
        """Take down what came of samples."""
        name = folded.held.name
        self._aside.conflicts(tx, name, folded.conflicts, now_ms)
        tell(tx, name, folded, now_ms, self._policy)
        kept = save(tx, folded) if folded.stored else folded.held
        counts.stored += folded.stored
        counts.repeated += folded.repeated
        counts.late += folded.late
        return kept

    def commit(
        self, trucks: Mapping[str, Held], counts: Counts, now_ms: int
    ) -> tuple[Held | None, Counts]:
        """Commit what the next truck had waiting, if it can; give it, and the totals, as they are now.

        Raises
        ------
        sqlite3.DatabaseError
            The store cannot be written now, or is damaged; nothing was committed.
        """
        after, vehicle_id = counts.copy(), self.readable.popleft()
        try:
            with self._database.write() as tx:
                truck = self._take_up(tx, vehicle_id, trucks, after, now_ms)
        except ArchiveAway:
            return None, counts  # away again: it is looked at again
        except Exception as error:  # a fault of ours, or a damaged row: it goes on waiting
            if store_failed(error):
                raise
            if vehicle_id not in self._failing:
                log.exception("look.failed", look="postponed")
            self._failing.add(vehicle_id)
            return None, counts
        self._failing.discard(vehicle_id)
        return truck, after

    def _take_up(
        self,
        tx: sqlite3.Connection,
        vehicle_id: int,
        trucks: Mapping[str, Held],
        counts: Counts,
        now_ms: int,
    ) -> Held | None:
        row = tx.execute("SELECT name FROM vehicle WHERE id = ?", (vehicle_id,)).fetchone()
        truck = None if row is None else trucks.get(row[0])
        batch = None if truck is None else postponed.take(tx, vehicle_id=vehicle_id)
        if truck is None or batch is None:
            return None
        counts.received += len(batch.samples)
        samples = batch.samples[np.argsort(batch.samples["time_ms"], kind="stable")]
        truck = self._part(tx, truck, samples, batch.received_ms, counts, now_ms)
        log.info("samples.taken_up", vehicle=truck.name, samples=len(samples))
        return truck

    def _part(
        self,
        tx: sqlite3.Connection,
        truck: Held,
        samples: NDArray[Any],
        received_ms: int,
        counts: Counts,
        now_ms: int,
    ) -> Held:
        """Fold samples, which are in order of time; what cannot be folded is found by halves, and put aside.

        The newest come first: whoever needs a month that is damaged, so does all that is older. Else each
        hundred of them would be run through history in vain.
        """
        parts: list[NDArray[Any]] = [samples]
        damage: ArchiveError | None = None
        while parts:
            part = parts.pop()
            came = damage or self._folded(tx, truck, part, received_ms, counts, now_ms)
            if isinstance(came, Held):
                truck = came
            elif len(part) > ENTRY_SAMPLES:
                parts += [part[: len(part) // 2], part[len(part) // 2 :]]
            else:
                self._aside.given_up(tx, message_of(truck.name, part), came, now_ms)
                counts.reasons["not_processed"] += len(part)
                damage = came if isinstance(came, ArchiveError) else None
        return truck

    def _folded(
        self,
        tx: sqlite3.Connection,
        truck: Held,
        part: NDArray[Any],
        received_ms: int,
        counts: Counts,
        now_ms: int,
    ) -> Held | Exception:
        """Fold samples; give the truck, or why it cannot be, and nothing happened then."""
        try:
            with _apart(tx):
                folded = fold(tx, truck, part, received_ms=received_ms)
                return self.take_in(tx, folded, counts, now_ms)
        except ArchiveAway:
            raise
        except Exception as error:
            if store_failed(error):
                raise
            if len(part) <= ENTRY_SAMPLES:
                log.exception("message.failed", count=1)
            return error


def message_of(vehicle: str, samples: NDArray[Any], root: str = "fleet") -> Message:
    """Write samples as a gateway would have sent them."""
    bodies = []
    for sample in samples:
        time_ms = int(sample["time_ms"])
        body: dict[str, Any] = {"time": time_ms / 1000.0}
        for signal in SIGNALS:
            value = float(sample[signal.name])
            if not math.isnan(value):
                body[signal.name] = _GIVEN[signal.kind](value)
        bodies.append(body)
    return Message(topic=f"{root}/{vehicle}/telemetry", payload=json.dumps(bodies).encode())


@contextmanager
def _apart(tx: sqlite3.Connection) -> Iterator[None]:
    """Undo what is done in here where it fails, and only that."""
    tx.execute("SAVEPOINT apart")
    try:
        yield
    except Exception:
        if tx.in_transaction:  # a store that failed may have given it up by itself
            tx.execute("ROLLBACK TO apart")
            tx.execute("RELEASE apart")
        raise
    tx.execute("RELEASE apart")
