"""What people do beside the daemon: service entries, acknowledgements, alarms held back."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from random import Random

from alerts import hold, holds, journal, lifecycle
from alerts.alarm import State
from alerts.channel import Clock
from alerts.lifecycle import CameAgain
from deploy.database import beside_daemon
from ingest import record
from ingest.entry import STRUCK, Entry
from tests.recorded import HOUR_MS
from tests.torture.simulation.process import POLICY
from tests.torture.simulation.script import START_MS, VEHICLES


@dataclass(slots=True, kw_only=True)
class People:
    """They enter, correct, strike out, acknowledge, hold back; ``holds``: whether they do that here."""

    rng: Random
    store: Path
    now_ms: Clock
    holds: bool
    entries: list[Entry] = field(default_factory=list)
    """What stands in the record: their own book."""

    def enter(self) -> None:
        """Enter work on a truck, at any time of its day; or take an entry back."""
        rng = self.rng
        vehicle = rng.choice(VEHICLES)
        old = rng.choice(self.entries) if self.entries and rng.random() < 0.3 else None
        entry = Entry(
            vehicle=old.vehicle if old else vehicle,
            kind=STRUCK if old else "top_up",
            time_ms=old.time_ms if old else START_MS + rng.randrange(3 * HOUR_MS),
            who="shop",
            entered_ms=max(self.now_ms(), START_MS + 4 * HOUR_MS),
            numbers={} if old else {"volume_l": rng.choice((0.5, 1.0, 2.0))},
            supersedes=old.id if old else None,
        )
        with beside_daemon(self.store) as tx:
            stored = record.add(tx, entry)
        if old is None:
            self.entries.append(stored)
        else:
            self.entries.remove(old)

    def acknowledge(self) -> None:
        """Acknowledge an alarm that stands."""
        with beside_daemon(self.store) as tx:
            standing = sorted(journal.standing(tx), key=lambda alarm: alarm.id)
            if standing:
                alarm = self.rng.choice(standing)
                with suppress(CameAgain):
                    lifecycle.acknowledge(tx, alarm.id, by="ines", now_ms=self.now_ms())

    def hold(self) -> None:
        """Hold a truck's alarms back, or let go of what is held."""
        if not self.holds:
            return
        now_ms = self.now_ms()
        with beside_daemon(self.store) as tx:
            held = hold.standing(tx, now_ms)
            if held and self.rng.random() < 0.5:
                one = self.rng.choice(held)
                holds.release(tx, one.id, by="omar", now_ms=now_ms, policy=POLICY)
                return
            holds.place(
                tx,
                state=self.rng.choice((State.OUT_OF_SERVICE, State.SUPPRESSED)),
                vehicle=self.rng.choice(VEHICLES),
                until_ms=now_ms + self.rng.choice((1, 3)) * HOUR_MS,
                by="omar",
                reason="in the shop",
                now_ms=now_ms,
                policy=POLICY,
            )

    def let_go(self) -> None:
        """Let go of all that is held."""
        now_ms = self.now_ms()
        with beside_daemon(self.store) as tx:
            for one in hold.standing(tx, now_ms):
                holds.release(tx, one.id, by="omar", now_ms=now_ms, policy=POLICY)
