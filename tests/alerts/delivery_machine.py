"""A fleet, its far sides, a clock and a daemon that can die at any step, for tests of the delivery."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC
from functools import partial
from pathlib import Path
from random import Random
from typing import Literal

from alerts import outbox
from alerts.alarm import Matter
from alerts.dispatcher import Dispatcher
from alerts.gsm import septets
from alerts.life_rules import ChatterRules
from alerts.notice import Notice, Undelivered
from alerts.outbox import Entry
from alerts.policy import Policy, Subject, Telling
from alerts.wording import compose
from deploy.database import Database
from models.transition import Priority
from models.units import METRIC
from tests.alerts.store import MINUTE, NOON, transition, write

Mood = Literal["well", "away", "busy", "refuses", "cuts", "hostile", "dies", "dies_after"]


class Died(BaseException):
    """The process ends here."""


class Quiet(Policy):
    """Omar is not to be woken for less than a critical alarm."""

    def tellings(self, subject: Subject, now_ms: int) -> tuple[Telling, ...]:
        names = ("desk", "mail", "mail/ines", "mail/omar")
        return self.again(names, subject.priority, now_ms)

    def again(
        self, destinations: Iterable[str], priority: Priority, now_ms: int
    ) -> tuple[Telling, ...]:
        later_ms = 0 if priority is Priority.CRITICAL else now_ms + 30 * MINUTE
        return tuple(
            Telling(destination=name, not_before_ms=later_ms if name == "mail/omar" else 0)
            for name in destinations
        )


POLICY = Quiet(late_after_ms=1 << 60, chatter=ChatterRules(brief_ms=0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Receipt:
    """What a far side took."""

    id: str
    destination: str
    time_ms: int
    era: int
    content: tuple[str, str, str]
    tellings: tuple[tuple[str, Matter, int], ...]


@dataclass
class FarSide:
    """A far side in a mood, which keeps what it takes."""

    world: World
    bundles: bool
    mood: Mood = "well"

    def deliver(self, notice: Notice) -> str:
        if self.mood == "dies":
            raise Died
        if self.mood == "away":
            raise Undelivered("connection refused", retry=True)
        if self.mood == "busy":
            raise Undelivered("451 later", retry=True, away=False)
        if self.mood == "refuses":
            raise Undelivered("550 no", retry=False)
        if self.mood == "hostile" and any(item.vehicle == "NF-01" for item in notice.items):
            raise Undelivered("line dropped at this one", retry=True)
        self.world.receive(notice)
        if self.mood == "cuts":
            raise Undelivered("line dropped before the answer", retry=True)
        if self.mood == "dies_after":
            raise Died
        return "taken"


@dataclass
class World:
    """A store, trucks with alarms, far sides, and a daemon's dispatcher."""

    database: Database
    now_ms: int = NOON
    era: int = 0
    received: list[Receipt] = field(default_factory=list)
    stop_at: int = 0
    writes: int = 0
    gone: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.sides = {
            "desk": FarSide(self, bundles=False),
            "mail": FarSide(self, bundles=True),
            "text": FarSide(self, bundles=True),
        }
        self.episodes: dict[str, list[tuple[int, Priority, bool]]] = {}
        self.restart()

    def restart(self) -> None:
        """Begin anew on the same store, as after a crash."""
        self.dispatcher = Dispatcher(
            channels=self.sides,
            write=self.write,
            read=self.database.read,
            compose=partial(compose, words={}, units=METRIC, zone=UTC, names={}),
            now_ms=lambda: self.now_ms,
            rng=Random(3),
            every_s=0.001,
            next_way=lambda name: "text/ines" if name == "mail/ines" else None,
            known=lambda name: name not in self.gone,
        )
        self.stop_at = 0
        self.dispatcher.recover()

    @contextmanager
    def write(self) -> Iterator[sqlite3.Connection]:
        """Open a transaction; the process dies before or after the one the test names."""
        self.writes += 1
        if self.stop_at and self.writes == self.stop_at:
            raise Died
        with self.database.write() as tx:
            yield tx
        if self.stop_at and self.writes == -self.stop_at:
            raise Died

    def run(self, die_at: int = 0) -> bool:
        """Send what is due; die at the ``die_at``-th transaction (negative: just after it)."""
        self.writes, self.stop_at = 0, die_at
        try:
            self.dispatcher.lay_aside()
            self.dispatcher.once()
        except Died:
            self.restart()
            return False
        self.stop_at = 0
        return True

    def receive(self, notice: Notice) -> None:
        """Keep what arrived, and see that it is whole."""
        assert septets(notice.short) <= 160
        for item in notice.items:
            assert item.vehicle in notice.body
        self.received.append(
            Receipt(
                id=notice.id,
                destination=notice.destination,
                time_ms=self.now_ms,
                era=self.era,
                content=(notice.subject, notice.short, notice.body),
                tellings=tuple(
                    (item.alarm_id, item.matter, item.time_ms) for item in notice.items
                ),
            )
        )

    def pass_ms(self, ms: int) -> None:
        """Move the clock; back begins an era."""
        self.now_ms += ms
        self.era += ms < 0

    def rewrite(self, truck: str) -> None:
        """Have the detectors say of a truck what its episodes are now."""
        found = []
        for onset_ms, priority, active in self.episodes.get(truck, []):
            raised = transition(onset_ms, onset_ms, vehicle=truck)
            found.append(raised)
            if priority is Priority.CRITICAL:
                found.append(replace(raised, time_ms=onset_ms + 1, priority=Priority.CRITICAL))
            if not active:
                found.append(replace(found[-1], time_ms=onset_ms + 2, active=False))
        with self.database.write() as tx:
            write(tx, found, now_ms=self.now_ms, vehicle=truck, policy=POLICY)

    def entries(self) -> list[Entry]:
        """Give all tellings."""
        with self.database.read() as conn:
            return outbox.entries(conn)


def opened(folder: Path) -> World:
    """Make a world with an empty store."""
    return World(Database(folder / "heatbook.db", synchronous="off"))
