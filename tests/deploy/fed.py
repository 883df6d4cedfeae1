"""A store with trucks whose samples are fed to a server, for the tests of the feed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from pydantic import SecretStr

from deploy.database import Database
from deploy.influx_feeder import InfluxFeeder, Job
from deploy.influx_section import Influx
from ingest import feed, journal
from ingest.feed import FeedState
from ingest.influx_session import Access, Session
from tests.influx_stub import ORG, TOKEN
from tests.ingest.folded import newcomer
from tests.recorded import NOON_MS, Sample, records

MAX_GAP_MS = 300_000


def section(url: str, **changes: Any) -> Influx:
    """Give ``[influx]`` for a stand-in."""
    values: dict[str, Any] = {"url": url, "org": ORG, "token": SecretStr(TOKEN)}
    values |= {"set_up": False, "keep_days": 0.0, "timeout_s": 5.0}
    return Influx(**{**values, **changes})


def by_access(access: Access, bucket: str, **changes: Any) -> Influx:
    """Give ``[influx]`` for a real server, with buckets whose names begin alike."""
    names = {"bucket": bucket, "sums_bucket": f"{bucket}-sums"}
    values: dict[str, Any] = {"url": access.url, "org": access.org, "keep_days": 0.0}
    values |= {"token": SecretStr(access.token), "timeout_s": 60.0, **names}
    return Influx(**{**values, **changes})


@dataclass
class Fed:
    """A store, its trucks, and the server that it is fed to."""

    folder: Path
    influx: Influx
    now_ms: int = NOON_MS
    trucks: dict[str, int] = field(default_factory=dict)
    _sessions: list[Session] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.database = Database(self.folder / "heatbook.db", synchronous="off")
        self.feeder = self.again()

    def again(self) -> InfluxFeeder:
        """Give a feeder as after a restart of the process."""
        influx = self.influx
        session = Session(influx.access())
        self._sessions.append(session)
        self.feeder = InfluxFeeder(
            self.database,
            session,
            Job(influx=influx, buckets=influx.buckets(archive=False), max_gap_ms=MAX_GAP_MS),
            now_ms=lambda: self.now_ms,
            rng=Random(7),
        )
        return self.feeder

    def store(self, vehicle: str, samples: Sequence[Sample]) -> int:
        """Store samples as one row of the journal."""
        with self.database.write() as tx:
            if vehicle not in self.trucks:
                self.trucks[vehicle] = newcomer(tx, vehicle).vehicle_id
            return journal.append(
                tx,
                vehicle_id=self.trucks[vehicle],
                samples=records(samples),
                received_ms=self.now_ms,
            )

    def close(self) -> None:
        """Let go of store and server."""
        self.database.close()
        for session in self._sessions:
            session.close()

    def drain(self) -> FeedState:
        """Feed until nothing is left."""
        for _ in range(1000):
            if not self.feeder.once():
                return self.state
        raise AssertionError("it never ends")

    @property
    def state(self) -> FeedState:
        """How far it is."""
        with self.database.read() as conn:
            found = feed.state(conn)
        assert found is not None
        return found
