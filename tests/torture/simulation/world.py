"""A simulated fleet, broker, far sides, people and faults around the real parts; one seed decides it all."""

from __future__ import annotations

import hashlib
import sqlite3
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from random import Random
from unittest.mock import patch

from structlog.testing import capture_logs

import deploy.daemon
import deploy.owed
from deploy.database import Database, StoreError, beside_daemon
from deploy.history_keeper import ask
from tests.recorded import MINUTE_MS
from tests.torture.notice_checker import Arrived
from tests.torture.simulation.broker import SimulatedBroker
from tests.torture.simulation.far_side import PEOPLE, WEB, FarSide
from tests.torture.simulation.fuse import STORE_FAULTS, Crash, Fuse, wired
from tests.torture.simulation.people import People
from tests.torture.simulation.process import Life, Surroundings, forsake, held_otherwise
from tests.torture.simulation.script import START_MS, Said, script

MINUTES = 60
"""Samples of each truck [-]."""

WEIGHTS = {
    "publish": 40,
    "turn": 30,
    "tell": 8,
    "wait": 6,
    "enter": 2,
    "hold": 1,
    "acknowledge": 2,
    "move": 2,
    "reconnect": 1,
    "jump": 1,
}
"""How often each thing is done."""

TURNS = 300
"""What is not done after so many turns in peace will not be done [-]."""

CRASHES, FAULTS = 0.04, 0.04
"""How likely a crash, a run of faults is laid before something is done [-]."""


class World:
    """Everything about one run; ``run`` it, then see what it kept.

    ``calm``: nothing goes wrong but what ``fuse`` was told beforehand.
    """

    def __init__(self, folder: Path, seed: int, *, calm: bool = False) -> None:
        self.rng = Random(f"{seed}/simulation")
        self.folder = folder
        self.store = folder / "heatbook.db"
        self.fuse = Fuse()
        self.broker = SimulatedBroker(self.fuse, self.rng)
        self.arrived: list[Arrived] = []
        self.did: Counter[str] = Counter()
        self.said: list[Said] = []
        self.never: list[Said] = []
        """Messages that a truck lost before the broker had them."""
        self.ahead: list[str] = []
        """What a daemon held that its store did not give."""
        self.calm = calm
        self.jumps = not calm and self.rng.random() < 0.3
        self._trace = hashlib.sha256()
        self._late: list[Said] = []
        self._base_ms = START_MS
        self._skew_ms = 0
        self._uptime_ms = 0
        self._nested = False
        self._life: Life | None = None
        self._database: Database | None = None
        self._sides = {
            PEOPLE: self._side(bundles=True),
            WEB: self._side(bundles=False),
        }
        self.people = People(
            rng=self.rng,
            store=self.store,
            now_ms=self.now_ms,
            holds=not calm and self.rng.random() < 0.3,
        )

    def now_ms(self) -> int:
        """Read the daemon's clock [Unix ms]."""
        return self._base_ms + self._skew_ms

    @property
    def trace(self) -> str:
        """Give a hash of all that was done and of all that came of it."""
        return self._trace.hexdigest()

    @property
    def life(self) -> Life:
        """Give the daemon that lives now; one is started if none does."""
        while self._life is None:
            self._start()
        return self._life

    def run(self) -> None:
        """Let it all happen, then let it all come right."""
        with self._around():
            coming = script(self.rng, minutes=MINUTES)
            self._start()
            while coming or self._late:
                self._step(coming)
            self._heal()
            self._record(self.dump())

    def dump(self) -> str:
        """Give all that is in the store, as text, but for the name that chance gives each store."""
        conn = sqlite3.connect(self.store)
        try:
            return "\n".join(line for line in conn.iterdump() if "store_identity" not in line)
        finally:
            conn.close()

    @contextmanager
    def _around(self) -> Iterator[None]:
        with ExitStack() as stack:
            stack.enter_context(capture_logs())
            stack.enter_context(wired(self.fuse))
            for module in (deploy.daemon, deploy.owed):
                clock = patch.object(module, "monotonic_ms", lambda: self._uptime_ms)
                stack.enter_context(clock)
            yield

    def _side(self, *, bundles: bool) -> FarSide:
        return FarSide(
            self.fuse,
            self.rng,
            bundles=bundles,
            arrived=self.arrived,
            meanwhile=self._meanwhile,
        )

    def _step(self, coming: list[Said]) -> None:
        """Do one thing of many; it may be cut short at any call to the world."""
        (name,) = self.rng.choices(tuple(WEIGHTS), tuple(WEIGHTS.values()))
        self._lay_faults()
        self._uptime_ms += self.rng.randrange(2_000)
        self._base_ms += self.rng.randrange(2_000)
        self._record(f"{name} {self.now_ms()}")
        self.did[name] += 1
        if name == "publish":
            self._publish(coming)
        else:
            self._alive(getattr(self, f"_{name}"))
        if self._life is not None:
            self.ahead += held_otherwise(self.store, self._life.pipeline.trucks)

    def _alive(self, work: Callable[[], None]) -> None:
        """Do something while a daemon lives; whoever dies over it leaves things as they lie."""
        try:
            self._fused(work)
        except Crash:
            self.did["crash"] += 1
            self._record("crash")
            self._die()

    def _fused(self, work: Callable[[], None]) -> None:
        self.life  # noqa: B018 - one must live
        self.fuse.armed = True
        try:
            work()
        finally:
            self.fuse.armed = False

    def _die(self) -> None:
        if self._database is not None:
            forsake(self._database)
        self._life = self._database = None
        self.fuse.renew()
        self.broker.reconnect()

    def _start(self) -> None:
        """Start a daemon; it may die over that, or find a store that fails it."""
        self.fuse.armed = True
        try:
            self._database = Database(self.store, synchronous="off")
            life = Life(self._surroundings(), self._database)
            life.begin()
            self._life = life
        except (Crash, sqlite3.Error, StoreError):
            self.did["failed start"] += 1
            self._die()
        finally:
            self.fuse.armed = False

    def _surroundings(self) -> Surroundings:
        return Surroundings(
            store=self.store,
            broker=self.broker,
            channels=self._sides,
            now_ms=self.now_ms,
            uptime_ms=lambda: self._uptime_ms,
            rng=self.rng,
            meanwhile=self._meanwhile,
        )

    def _meanwhile(self) -> None:
        """Let the committer have a turn while somebody else is in the middle of something."""
        if not self._nested and self._life is not None and self.rng.random() < 0.3:
            self._nested = True
            try:
                self._life.turn()
            finally:
                self._nested = False

    def _lay_faults(self) -> None:
        if self.calm:
            return
        rng = self.rng
        if rng.random() < CRASHES:
            self.fuse.left = rng.randrange(80)
        elif rng.random() < FAULTS:
            self.fuse.sound = rng.randrange(40)
            self.fuse.failing = rng.choice((1, 1, 2, 5))
            self.fuse.fault = rng.choice(STORE_FAULTS)
        for side in self._sides.values():
            side.unwell = rng.choice((0.0, 0.0, 0.2, 0.9))

    def _publish(self, coming: list[Said]) -> None:
        """Let a truck publish what comes next, or what came late; some of it twice, some never."""
        rng = self.rng
        if self._late and (not coming or rng.random() < 0.15):
            self._out(self._late.pop(rng.randrange(len(self._late))))
            return
        if not coming:
            return
        said = coming.pop(0)
        if said.samples:
            newest = max(sample["time_ms"] for sample in said.samples.values())
            self._base_ms = max(self._base_ms, int(newest) + rng.randrange(3_000))
        first = said.vehicle not in {each.vehicle for each in self.said}
        chance = 1.0 if first else rng.random()
        if chance < 0.01:
            self.never.append(said)
        elif chance < 0.12:
            self._late.append(said)
        else:
            self._out(said)
            if chance < 0.22:
                self._late.append(said)

    def _out(self, said: Said) -> None:
        self.said.append(said)
        self.broker.publish_from_truck(said.message)

    def _turn(self) -> None:
        self.life.turn()

    def _tell(self) -> None:
        self.life.tell()

    def _wait(self) -> None:
        """Let time pass."""
        span_ms = self.rng.choice((1, 5, 20)) * MINUTE_MS
        self._base_ms += span_ms
        self._uptime_ms += span_ms
        self.life.turn()

    def _enter(self) -> None:
        self._by_people(self.people.enter)

    def _hold(self) -> None:
        self._by_people(self.people.hold)

    def _acknowledge(self) -> None:
        self._by_people(self.people.acknowledge)

    def _by_people(self, deed: Callable[[], None]) -> None:
        """Let people do something by a command of their own: its faults are not the daemon's."""
        self.fuse.armed = False
        deed()

    def _move(self) -> None:
        self._by_people(self._ask)
        self.fuse.armed = True
        self.life.keep_history()

    def _ask(self) -> None:
        with beside_daemon(self.store) as tx:
            ask(tx, self.now_ms())

    def _reconnect(self) -> None:
        self.broker.reconnect()

    def _jump(self) -> None:
        """Let the clock jump, or come back."""
        if self.jumps:
            self._skew_ms = self.rng.choice((0, 0, -60, 60, -7, 400)) * MINUTE_MS
            self.did["clock jump"] += 1

    def _record(self, text: str) -> None:
        self._trace.update(f"{text}\n".encode())

    def _heal(self) -> None:
        """Let nothing go wrong any more, and all be done that is left to do."""
        self.fuse.renew()
        for side in self._sides.values():
            side.unwell = 0.0
        self._skew_ms = 0
        self.people.let_go()
        self._die()
        life = self.life
        for _ in range(TURNS):
            self._uptime_ms += 30_000
            self._base_ms += 30_000
            life.turn()
            life.tell()
            if self.broker.empty and self.settled():
                break
        for _ in range(2):
            self._ask()
            life.keep_history()
        life.pipeline.flush()
        self.counts = life.pipeline.counts
        life.database.close()
        self._life = self._database = None

    def settled(self) -> bool:
        """Say whether nothing waits to be told or taken up."""
        with sqlite3.connect(self.store) as conn:
            (waiting,) = conn.execute(
                "SELECT (SELECT count(*) FROM outbox WHERE state = 'pending') + (SELECT count(*) "
                "FROM service_entry WHERE id NOT IN (SELECT entry_id FROM service_taken))"
            ).fetchone()
        conn.close()
        return bool(waiting == 0)
