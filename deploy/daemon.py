"""The running daemon: source, pipeline, notices and watch, with a start and a stop."""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from random import Random
from typing import TypeVar

import structlog

from alerts import chatter, escalation, holds, silence
from alerts.channel import Channel
from alerts.dispatcher import Compose, Dispatcher
from alerts.link import Link, follow
from alerts.pace import USUAL, PaceRules
from alerts.watch import LastHeard, SilenceLimits
from deploy.apart import Apart
from deploy.batch import Position, Rules
from deploy.clock import monotonic_ms
from deploy.companion import Companion
from deploy.database import Database, store_failed
from deploy.pipeline import Pipeline
from deploy.schedule import Schedule
from ingest.held import NEVER_MS, Held
from ingest.message import Message
from ingest.source import Source
from models.kernel import warm_up
from models.layout import record
from models.units import rfc3339
from review.store import Clock

log = structlog.get_logger()

_Done = TypeVar("_Done")

INBOX_EVERY_MS = 500
"""How often messages put in by hand are looked for [ms]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How the committer and the watch are paced."""

    commit_messages: int = 500
    commit_wait_s: float = 0.25
    retry_s: float = 1.0
    received_every_ms: int = 500
    watch_every_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """What a daemon is put together from."""

    database: Database
    source: Source
    pipeline: Pipeline
    schedule: Schedule
    rules: Rules
    channels: Mapping[str, Channel]
    compose: Compose
    limits: SilenceLimits
    now_ms: Clock
    rng: Random
    root: str = "fleet"
    reader_pace: PaceRules = USUAL
    companions: Sequence[Companion] = ()


class Daemon:
    """Takes, commits, acknowledges; sends notices; watches for silence; does what is scheduled."""

    def __init__(self, parts: Parts, pace: Pace) -> None:
        self._parts = parts
        self._pace = pace
        self._stopping = threading.Event()
        self._committer = threading.Thread(target=self._run, name="committer", daemon=True)
        self._dispatcher = Dispatcher(
            channels=parts.channels,
            write=parts.database.write,
            read=parts.database.read,
            compose=parts.compose,
            now_ms=parts.now_ms,
            rng=parts.rng,
            pace=parts.reader_pace,
            next_way=parts.rules.policy.next_way,
            known=parts.rules.policy.known,
        )
        self._looks = Apart(parts.database)
        self._watch_due_ms = 0
        self._inbox_due_ms = 0
        self._listening_since_ms = 0
        self._link = Link(connected=False)
        self._owed: dict[str, Position] = {}
        self._told_ms: dict[str, int] = {}
        self._store_failed = False

    def start(self) -> None:
        """Take up the store and begin to receive."""
        parts = self._parts
        warm_up()
        parts.pipeline.load()
        self._listening_since_ms = parts.now_ms()
        self._link = Link(connected=False, since_ms=self._listening_since_ms)
        self._dispatcher.start()
        parts.source.start()
        self._committer.start()
        for companion in parts.companions:
            companion.start()
        log.info("daemon.started", trucks=len(parts.pipeline.trucks))

    def stop(self) -> None:
        """Commit what was taken, acknowledge it, let go of the broker and the store."""
        self._stopping.set()
        for companion in self._parts.companions:
            companion.stop()
        if self._committer.is_alive():
            self._committer.join()
        self._parts.source.stop()
        self._dispatcher.stop()
        self._parts.database.close()
        log.info("daemon.stopped")

    @property
    def alive(self) -> bool:
        """Whether the committer still runs; when it does not, the process should end."""
        return self._committer.is_alive()

    @property
    def taken_over(self) -> str | None:
        """Why the session was left to another process, None while it is ours."""
        state = self._parts.source.state
        return state.refused if state.phase == "taken_over" else None

    def _run(self) -> None:
        pace = self._pace
        try:
            while not self._stopping.is_set():
                wait_s = pace.commit_wait_s if self._owed else 4 * pace.commit_wait_s
                messages = self._parts.source.take(
                    pace.commit_messages, min(wait_s, pace.watch_every_s)
                )
                if messages:
                    self._commit(messages)
                if monotonic_ms() >= self._inbox_due_ms:
                    self._inbox_due_ms = monotonic_ms() + INBOX_EVERY_MS
                    self._owe(self._try(self._parts.pipeline.commit_inbox) or [])
                    self._try(self._parts.pipeline.commit_record)
                self._publish_owed(everything=False)
                if monotonic_ms() >= self._watch_due_ms:
                    self._try(self._watch)
                    self._try(self._run_due)
            self._publish_owed(everything=True)
            self._try(self._parts.pipeline.flush)
        except BaseException:  # the process must not go on as if it listened
            log.exception("task.crashed", task="committer")
            raise

    def _commit(self, messages: Sequence[Message]) -> None:
        """Commit, then acknowledge; while the store is out of order, hold on and try again."""
        while (positions := self._try(lambda: self._parts.pipeline.commit(messages))) is None:
            # Not acknowledged, so nothing is lost: the window fills and the broker waits.
            if self._stopping.wait(self._pace.retry_s):
                return
        self._parts.source.ack(messages)
        self._owe(positions)

    def _try(self, write: Callable[[], _Done]) -> _Done | None:
        """Write; None while the store cannot be written, which is said once."""
        try:
            done = write()
        except sqlite3.DatabaseError as error:
            if not store_failed(error):
                raise
            if not self._store_failed:
                log.error("store.failed", reason=str(error))
            self._store_failed = True
            return None
        if self._store_failed:
            log.info("store.recovered")
        self._store_failed = False
        return done

    def _owe(self, positions: Sequence[Position]) -> None:
        if positions:
            self._owed.update({position.vehicle: position for position in positions})
            self._dispatcher.wake()

    def _publish_owed(self, *, everything: bool) -> None:
        """Tell gateways up to where their data are safe, each not more often than it needs."""
        now_ms = monotonic_ms()
        due = [
            vehicle
            for vehicle in self._owed
            if everything
            or now_ms - self._told_ms.get(vehicle, -(10**9)) >= self._pace.received_every_ms
        ]
        for vehicle in due:
            position = self._owed.pop(vehicle)
            self._told_ms[vehicle] = now_ms
            self._parts.source.publish(
                f"{self._parts.root}/{vehicle}/received", received(position), retain=True
            )

    def _watch(self) -> None:
        """Look for what time alone brings: silent trucks, holds that end, alarms nobody acknowledged.

        In the committer's own thread and paced by a clock that never jumps: between a look and
        what is written because of it no sample can come in.
        """
        self._watch_due_ms = monotonic_ms() + round(self._pace.watch_every_s * 1000)
        parts = self._parts
        now_ms = parts.now_ms()
        source = parts.source.state
        self._link = follow(
            self._link,
            now_ms,
            connected=source.connected,
            refused=source.phase == "refused",
        )
        heard = {
            name: _last_heard(truck)
            for name, truck in parts.pipeline.trucks.items()
            if truck.last_ms != NEVER_MS
        }
        parts.pipeline.flush()
        ticked = self._looks.take(
            "silence",
            lambda tx: silence.tick(
                tx,
                heard=heard,
                now_ms=now_ms,
                limits=parts.limits,
                policy=parts.rules.policy,
                listening_since_ms=self._listening_since_ms,
                link=self._link,
            ),
        )
        if ticked is not None:
            self._listening_since_ms = ticked.listening_since_ms
        self._watch_alarms(now_ms)
        self._dispatcher.wake()

    def _watch_alarms(self, now_ms: int) -> None:
        """Look for what time brings to alarms that stand."""
        take, policy = self._looks.take, self._parts.rules.policy
        take("holds", lambda tx: holds.tick(tx, now_ms=now_ms, policy=policy))
        take("chatter", lambda tx: chatter.tick(tx, now_ms=now_ms, policy=policy))
        stepped = take(
            "escalation", lambda tx: escalation.tick(tx, now_ms=now_ms, policy=policy)
        )
        for alarm in stepped or ():
            steps = alarm.escalated
            log.info("alarm.escalated", alarm_id=alarm.id, vehicle=alarm.vehicle, steps=steps)

    def _run_due(self) -> None:
        """Run what the schedule says is due; here too nothing can come in between."""
        if self._parts.schedule.run_due(self._parts.now_ms()):
            self._dispatcher.wake()


def received(position: Position) -> bytes:
    """Write the end-to-end acknowledgement of the contract."""
    return json.dumps({"time": rfc3339(position.time_ms), "seq": position.seq}).encode()


def _last_heard(truck: Held) -> LastHeard:
    moving = bool(record(truck.state).truck.latest.moving)
    return LastHeard(
        time_ms=truck.last_ms,
        heard_ms=truck.heard_ms,
        moving=moving,
        lost_moving=moving and truck.online is False,
        online=truck.online,
    )
