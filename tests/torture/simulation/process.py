"""One life of the simulated daemon: the real parts, worked turn by turn in one thread."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC
from functools import partial
from pathlib import Path
from random import Random
from typing import Any

from alerts.channel import Channel, Clock
from alerts.policy import Policy, Route
from alerts.watch import SilenceLimits
from alerts.wording import compose
from deploy.archive_section import HistoryRules
from deploy.daemon import Daemon, Pace, Parts
from deploy.database import Database, read_only
from deploy.history_keeper import HistoryKeeper
from deploy.history_move import HistoryMove
from deploy.pipeline import Pipeline
from deploy.schedule import Schedule
from ingest import held as holding
from ingest import journal
from ingest.archive import ArchiveError
from ingest.held import NEVER_MS, Held
from ingest.sealed import place
from models.units import METRIC
from review.kinds import WORDS
from review.reading import Reader
from tests.deploy.store import COURSES, FLEET, rules
from tests.recorded import HOUR_MS
from tests.torture.simulation.broker import SimulatedBroker
from tests.torture.simulation.far_side import PEOPLE, WEB

POLICY = Policy(
    routes=(Route(channel=PEOPLE), Route(channel=WEB)),
    late_after_ms=10**12,
    quiet_when_over=frozenset(),
)
"""Whatever happened is told, however late it is found."""

ARCHIVE = HistoryRules(hot_ms=HOUR_MS // 2, keep_ms=None, max_gap_ms=300_000)


class Breath(threading.Event):
    """The pauses of the move of history: others have their turn in them."""

    def __init__(self, meanwhile: Callable[[], None]) -> None:
        super().__init__()
        self._meanwhile = meanwhile

    def wait(self, timeout: float | None = None) -> bool:
        """Let others have their turn; nobody asks the move to end."""
        del timeout
        self._meanwhile()
        return False


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What a life is given: store, broker, far sides, clocks, and what others do meanwhile."""

    store: Path
    broker: SimulatedBroker
    channels: Mapping[str, Channel]
    now_ms: Clock
    uptime_ms: Clock
    rng: Random
    meanwhile: Callable[[], None]


class Life:
    """A daemon from its start to its end, which may come at any call to the world."""

    def __init__(self, given: Surroundings, database: Database) -> None:
        self.database = database
        self.pipeline = Pipeline(
            self.database,
            registered=frozenset(FLEET.vehicles),
            courses=COURSES,
            rules=rules(policy=POLICY),
            now_ms=given.now_ms,
        )
        parts = Parts(
            database=self.database,
            source=given.broker,
            pipeline=self.pipeline,
            schedule=Schedule(self.database, UTC, uptime_ms=given.uptime_ms),
            rules=rules(policy=POLICY),
            channels=given.channels,
            compose=partial(compose, words=WORDS, units=METRIC, zone=UTC, names={}),
            limits=SilenceLimits(),
            now_ms=given.now_ms,
            rng=given.rng,
        )
        self.daemon = Daemon(parts, Pace(retry_s=0.0, watch_every_s=5.0))
        self._dispatcher: Any = self.daemon._dispatcher
        self._dispatcher._every_s = 0.0
        self._channels = tuple(given.channels)
        self.keeper = _keeper(self.database, given)

    def begin(self) -> None:
        """Go on from what the life before has left."""
        self.daemon.take_up()
        self._dispatcher.recover()

    def turn(self) -> None:
        """Let the committer have its turn."""
        self.daemon.turn()

    def tell(self) -> None:
        """Let each channel's thread have its turn."""
        for channel in self._channels:
            self._dispatcher._went_well(channel)

    def keep_history(self) -> None:
        """Let the keeper of history look; what befalls it stays its own."""
        try:
            self.keeper.once()
        except (ArchiveError, sqlite3.DatabaseError):
            return


def held_otherwise(store: Path, trucks: Mapping[str, Held]) -> Iterator[str]:
    """Name trucks that a daemon holds otherwise than a start would find them."""
    with read_only(store) as conn:
        for name, held in trucks.items():
            if held.stopped:
                continue
            found = holding.load(conn, name, held.course, "tests")
            sequence = None if found is None else found.sequence
            if found is None or (sequence, found.online) != (held.sequence, held.online):
                yield f"{name} is held with {held.sequence} {held.online}, stored with {sequence}"
            elif (
                journal.newest_ms(conn, vehicle_id=held.vehicle_id) or NEVER_MS
            ) != held.last_ms:
                yield f"{name} is held up to {held.last_ms}, and the journal is not"


def forsake(database: Any) -> None:
    """Leave a store as it lies; of a dead process the system closes what it had open."""
    database._writer.close()
    database._lock_file.close()


def _keeper(database: Database, given: Surroundings) -> HistoryKeeper:
    breath = Breath(given.meanwhile)
    with database.write() as tx:
        place(tx, "archive")
    reader = Reader(fleet=FLEET, courses=COURSES, now_ms=given.now_ms, version="tests")
    move = HistoryMove(database, reader, ARCHIVE, now_ms=given.now_ms, stopping=breath)
    return HistoryKeeper(
        database, move, now_ms=given.now_ms, stopping=breath, uptime_ms=given.uptime_ms
    )
