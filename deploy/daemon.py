"""The running daemon: source, pipeline, notices and watch, with a start and a stop."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from random import Random
from typing import TypeVar

import structlog

from alerts import chatter, escalation, holds, silence
from alerts.channel import Channel
from alerts.dispatcher import Compose, Dispatcher
from alerts.link import Link, follow
from alerts.pace import USUAL, PaceRules
from alerts.watch import SilenceLimits
from deploy.apart import Apart
from deploy.batch import Position, Rules
from deploy.clock import monotonic_ms
from deploy.companion import Companion
from deploy.database import Database, store_failed
from deploy.heard import Heard
from deploy.held_back import Waiting
from deploy.owed import Owed
from deploy.own_look import OwnLook
from deploy.pipeline import Pipeline
from deploy.progress import Progress
from deploy.schedule import Schedule
from deploy.signs import Signs, signs_of
from deploy.steady_clock import SteadyClock
from deploy.tallies import Tallies
from ingest.message import Message
from ingest.source import Source
from models.kernel import warm_up
from review.store import Clock

log = structlog.get_logger()

_Done = TypeVar("_Done")

FLUSH_AT_ONCE, FLUSH_AT_END = 500, 5_000
"""States written at most at each look of the watch, and at the end: some 0.3 ms each. What is not written
follows from the journal, at the next start."""

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
    steady: SteadyClock | None = None
    rng: Random
    root: str = "fleet"
    reader_pace: PaceRules = USUAL
    companions: Sequence[Companion] = ()
    own: OwnLook | None = None


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
        self._waiting = Waiting(parts.steady, parts.rules.wire)
        self._heard = Heard()
        self._watch_due_ms = 0
        self._inbox_due_ms = 0
        self._listening_since_ms = 0
        self._link = Link(connected=False)
        self._owed = Owed(parts.source, parts.root, pace.received_every_ms)
        self._progress = Progress(monotonic_ms)
        self._tallies = Tallies()

    def start(self) -> None:
        """Take up the store and begin to receive."""
        parts = self._parts
        self.take_up()
        self._dispatcher.start()
        parts.source.start()
        self._committer.start()
        for companion in parts.companions:
            companion.start()
        self._progress.phase = "serving"
        log.info("daemon.started", trucks=len(parts.pipeline.trucks))

    def take_up(self) -> None:
        """Go on from the store; nothing runs yet."""
        parts = self._parts
        warm_up()
        parts.pipeline.load()
        self._listening_since_ms = parts.now_ms()
        self._link = Link(connected=False, since_ms=self._listening_since_ms)

    def stop(self) -> None:
        """Commit what was taken, acknowledge it, let go of the broker and the store."""
        self._progress.phase = "stopping"
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
    def signs(self) -> Signs:
        """How it does now; from any thread."""
        return signs_of(
            self._parts.source.state,
            self._parts.pipeline,
            self._dispatcher,
            self._progress,
            self._tallies,
            committing=self.alive,
            wringing=self._parts.database.wringing,
            now_ms=self._parts.now_ms(),
        )

    @property
    def taken_over(self) -> str | None:
        """Why the session was left to another process, None while it is ours."""
        state = self._parts.source.state
        return state.refused if state.phase == "taken_over" else None

    def _run(self) -> None:
        try:
            while not self._stopping.is_set():
                self.turn()
            self._owed.publish(everything=True)
            self._try(lambda: self._parts.pipeline.flush(FLUSH_AT_END))
        except BaseException:  # the process must not go on as if it listened
            log.exception("task.crashed", task="committer")
            raise

    def turn(self) -> None:
        """Do once what the committer does over and over."""
        pace, parts = self._pace, self._parts
        self._progress.turn()
        wait_s = pace.commit_wait_s if self._owed else 4 * pace.commit_wait_s
        messages: Sequence[Message] = parts.source.take(
            pace.commit_messages, min(wait_s, pace.watch_every_s)
        )
        messages = self._waiting.ripe(messages, parts.source.state.generation)
        if messages:
            self._commit(messages)
        if monotonic_ms() >= self._inbox_due_ms:
            self._inbox_due_ms = monotonic_ms() + INBOX_EVERY_MS
            self._owe(self._try(self._parts.pipeline.commit_inbox) or [])
            self._owe(self._try(self._parts.pipeline.commit_postponed) or [])
            self._try(self._parts.pipeline.commit_record)
            for vehicle in self._try(self._parts.pipeline.commit_erasures) or ():
                self._owed.forget(vehicle)
                self._heard.forget(vehicle)
            if self._progress.failing_ms is not None:
                self._try(self._parts.database.probe)
        self._owed.publish(everything=False)
        if monotonic_ms() >= self._watch_due_ms:
            self._try(self._watch)
            self._try(self._run_due)

    def _commit(self, messages: Sequence[Message]) -> None:
        """Commit, then acknowledge; while the store is out of order, hold on and try again."""
        commit, timed = self._parts.pipeline.commit, self._tallies.timed
        now_ms = self._parts.now_ms()
        while (positions := self._try(lambda: timed(commit, messages, now_ms))) is None:
            # Not acknowledged, so nothing is lost: the window fills and the broker waits.
            if self._stopping.wait(self._pace.retry_s):
                return
        self._parts.source.ack(messages)
        self._owe(positions)

    def _try(self, write: Callable[[], _Done]) -> _Done | None:
        """Write; None while the store cannot be written, which is said once.

        It can be again when something is written: who found nothing to write has shown nothing.
        """
        before = self._parts.database.written
        try:
            done = write()
        except sqlite3.DatabaseError as error:
            if not store_failed(error):
                raise
            if self._progress.store_failed(str(error)):
                log.error("store.failed", reason=str(error))
            return None
        if self._parts.database.written > before and self._progress.store_written():
            log.info("store.recovered")
        return done

    def _owe(self, positions: Sequence[Position]) -> None:
        if positions:
            self._owed.owe(positions)
            self._dispatcher.wake()

    def _watch(self) -> None:
        """Look for what time alone brings: silent trucks, holds that end, alarms nobody acknowledged.

        In the committer's own thread and paced by a clock that never jumps: between a look and
        what is written because of it no sample can come in.
        """
        self._watch_due_ms = monotonic_ms() + round(self._pace.watch_every_s * 1000)
        parts = self._parts
        now_ms = parts.now_ms()
        if parts.steady is not None and parts.steady.jumped:  # nobody is silent by a jump
            self._listening_since_ms = now_ms
            self._link = replace(self._link, since_ms=now_ms)
        if len(self._waiting):  # they are heard, though nothing is taken in
            self._listening_since_ms = now_ms
        source = parts.source.state
        self._link = follow(
            self._link,
            now_ms,
            connected=source.connected,
            refused=source.phase == "refused",
        )
        heard = self._heard.now(parts.pipeline.trucks, now_ms)
        parts.pipeline.flush(FLUSH_AT_ONCE)
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
        if parts.own is not None and parts.own.due():
            self._looks.take("own", partial(parts.own.tick, signs=self.signs))
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
