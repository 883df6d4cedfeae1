"""The dispatcher: claims what is due, hands it to channels, writes down what came.

One thread per channel: an endpoint that hangs holds up nobody else. Between the claim and the
settling the process may die; the notice is then sent again under the same id, in the same words. A
store that cannot be written for a while holds notices up and ends nothing.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from functools import partial
from random import Random

import structlog

from alerts import content, gathering, sending
from alerts.breaker import Breaker, Phase
from alerts.channel import Channel, Clock
from alerts.delivery import (
    NO_CHANNEL,
    NOBODY,
    Job,
    Outcome,
    everybody,
    give_up,
    keys,
    lay_aside,
    next_due_ms,
    no_other_way,
)
from alerts.destination import channel_of
from alerts.fares import Fares
from alerts.notice import Notice, Undelivered
from alerts.pace import USUAL, PaceRules
from alerts.sending import Sending, Told

Open = Callable[[], AbstractContextManager[sqlite3.Connection]]
Compose = Callable[[Sending, Sequence[Told], tuple[str, ...]], Notice]
NextWay = Callable[[str], str | None]

log = structlog.get_logger()


class Dispatcher:
    """The loop from the outbox to the channels.

    Parameters
    ----------
    channels
        The channels by name.
    write, read
        Open a transaction to write in, a connection to read from.
    compose
        Words a notice: from a sending, what it tells, and the ids of those it goes on from.
    now_ms, rng
        Clock and randomness.
    every_s
        How often each channel looks for work [s]; ``wake`` makes it look at once.
    pace
        What a reader can bear.
    next_way
        Where the reader at a destination is told next when it cannot be reached.
    known
        Whether there is still somebody at a destination.
    """

    def __init__(
        self,
        *,
        channels: Mapping[str, Channel],
        write: Open,
        read: Open,
        compose: Compose,
        now_ms: Clock,
        rng: Random,
        every_s: float = 1.0,
        pace: PaceRules = USUAL,
        next_way: NextWay = no_other_way,
        known: Callable[[str], bool] = everybody,
    ) -> None:
        self._channels = dict(channels)
        self._write = write
        self._read = read
        self._compose = compose
        self._now_ms = now_ms
        self._rng = rng
        self._every_s = every_s
        self._pace = pace
        self._next_way = next_way
        self._known = known
        self._stopping = threading.Event()
        self._wakes = {name: threading.Event() for name in channels}
        self._threads: list[threading.Thread] = []
        self._fares = Fares(channels, rng)

    @property
    def disabled(self) -> frozenset[str]:
        """Name the channels whose far side wants no more; a new start tries them again."""
        return self._fares.disabled

    @property
    def breakers(self) -> Mapping[str, Breaker]:
        """Give how each channel fares."""
        return self._fares.breakers

    @property
    def outcomes(self) -> Mapping[tuple[str, str], int]:
        """Give how often a try of each channel was delivered, deferred or abandoned."""
        return self._fares.outcomes

    @property
    def alive(self) -> bool:
        """Tell whether every channel's thread runs."""
        started = len(self._threads) == len(self._channels)
        return started and all(thread.is_alive() for thread in self._threads)

    def start(self) -> None:
        """Free what an earlier run left claimed and start a thread per channel."""
        self.recover()
        self._stopping.clear()
        self._threads = [
            threading.Thread(
                target=self._run, args=(name,), name=f"notices-{name}", daemon=True
            )
            for name in self._channels
        ]
        for thread in self._threads:
            thread.start()

    def stop(self, timeout_s: float = 20.0) -> bool:
        """Stop after the notices now under way; false when a channel hung past the time."""
        self._stopping.set()
        self.wake()
        for thread in self._threads:
            thread.join(timeout_s)
        ended = not any(thread.is_alive() for thread in self._threads)
        self._threads = []
        return ended

    def wake(self) -> None:
        """Look for work now: called after a commit that filled the outbox."""
        for event in self._wakes.values():
            event.set()

    def recover(self) -> int:
        """Free the claims of a run that ended in the middle of a send."""
        with self._write() as tx:
            count = sending.release(tx)
        if count:
            log.warning("claims.released", count=count)
        return count

    def once(self, channel: str | None = None) -> int:
        """Send what is due, by one channel or by all in turn; give how many were delivered."""
        names = self._channels if channel is None else (channel,)
        return sum(self._drain(name) for name in names)

    def lay_aside(self) -> int:
        """Give up, visibly, what waits where nobody is any more; give how many notices."""
        with self._read() as conn:
            waiting = gathering.waiting_at(conn)
        gone = {name: reason for name in waiting if (reason := self._gone(name))}
        count = 0
        for name, reason in gone.items():
            with self._write() as tx:
                jobs = lay_aside(tx, name, self._now_ms(), reason, self._next_way(name))
            for job in jobs:
                log.error("notice.abandoned", **keys(job), reason=reason)
            count += len(jobs)
        return count

    def _gone(self, destination: str) -> str:
        """Say why nothing can be sent to a destination; nothing when it can."""
        if channel_of(destination) not in self._channels:
            return NO_CHANNEL
        return "" if self._known(destination) else NOBODY

    def _run(self, channel: str) -> None:
        while not self._stopping.is_set():
            if self._went_well(channel):
                self._wakes[channel].wait(self._every_s)
                self._wakes[channel].clear()
            else:
                self._stopping.wait(self._every_s)

    def _went_well(self, channel: str) -> bool:
        """Send what is due; a fault is said once, and all that was claimed is tried again."""
        try:
            if self._fares.held_up(channel):
                with self._write() as tx:
                    sending.release(tx, channel)
            if channel == next(iter(self._channels)):
                self.lay_aside()
            self._drain(channel)
        except Exception as error:  # noqa: BLE001 - told below; the next notice must go out
            self._fares.hold_up(channel, error)
            return False
        self._fares.go_on(channel)
        return True

    def _drain(self, channel: str) -> int:
        """Send until nothing is due or the far side is away (the rest would only wait)."""
        count = 0
        while not self._stopping.is_set():
            job = self._take(channel)
            if job is None:
                break
            outcome = self._send(channel, job)
            count += outcome == "delivered"
            if outcome in ("away", "fault"):
                break
        return count

    def _take(self, channel: str) -> Job | None:
        now_ms = self._now_ms()
        phase = self._fares.phase(channel, now_ms)
        if phase is Phase.OPEN:
            return None
        look = gathering.Look(
            channel=channel,
            bundles=self._channels[channel].bundles,
            now_ms=now_ms,
            pace=self._pace,
            trying=phase is Phase.TRYING,
        )
        with self._read() as conn:
            if gathering.choose(conn, look) is None:
                return None
        with self._write() as tx:
            claimed = gathering.take(tx, look)
            return Job.of(tx, claimed) if claimed else None

    def _send(self, channel: str, job: Job) -> Outcome:
        """Deliver one notice; after "away" the channel rests, after "fault" it is looked at anew."""
        try:
            notice = self._compose(job.sending, job.told, job.thread)
        except Exception as error:  # noqa: BLE001 - one bad notice must not stop all others
            return self._crashed(channel, job, error)
        if not job.sending.content:
            with self._write() as tx:
                sending.freeze(tx, job.sending.id, content.encode(content.content_of(notice)))
        try:
            detail = self._channels[channel].deliver(notice)
        except Undelivered as refusal:
            return self._refused(channel, job, refusal)
        except Exception as error:  # noqa: BLE001 - the same
            return self._crashed(channel, job, error)
        now_ms = self._now_ms()
        self._note(channel, lambda tx: sending.settle(tx, job.sending, now_ms, detail))
        self._fares.came_to(channel, "delivered")
        log.info("notice.delivered", **keys(job), detail=detail)
        self._fares.lives(channel, now_ms)
        return "delivered"

    def _crashed(self, channel: str, job: Job, error: Exception) -> Outcome:
        log.error("notice.crashed", **keys(job), exc_info=error)
        fault = Undelivered(f"fault: {error!r}", retry=True)
        self._put_away(channel, job, fault, self._now_ms())
        return "fault"

    def _refused(self, channel: str, job: Job, refusal: Undelivered) -> Outcome:
        """Put a notice back or give it up; a far side that is away is left alone for a while."""
        now_ms = self._now_ms()
        away = refusal.retry and refusal.away
        if away:
            rest_ms = self._fares.rests(channel, refusal, now_ms)
            self._put_away(channel, job, refusal, now_ms, rest_ms)
            return "away"
        self._fares.lives(channel, now_ms)
        self._put_away(channel, job, refusal, now_ms)
        if refusal.disable:
            self._fares.disable(channel, refusal.reason)
        return "refused"

    def _put_away(
        self, channel: str, job: Job, refusal: Undelivered, now_ms: int, rest_ms: int = 0
    ) -> None:
        reason, bundles = refusal.reason, self._channels[channel].bundles
        put_back = partial(next_due_ms, now_ms=now_ms, rng=self._rng, bundles=bundles)
        with self._read() as conn:
            due_ms = put_back(conn, job.sending, refusal, rest_ms=rest_ms)
        if due_ms is None:
            other = self._next_way(job.sending.destination)
            self._note(channel, lambda tx: give_up(tx, job, now_ms, reason, other))
            self._fares.came_to(channel, "abandoned")
            log.error("notice.abandoned", **keys(job), reason=reason)
            return
        self._note(
            channel,
            lambda tx: sending.defer(tx, job.sending, now_ms, due_ms=due_ms, reason=reason),
        )
        self._fares.came_to(channel, "deferred")
        log.warning("notice.deferred", **keys(job), reason=reason, due_ms=due_ms)

    def _note(self, channel: str, write_down: Callable[[sqlite3.Connection], None]) -> None:
        """Write down what came of a send; what the far side has taken is not sent again for want of room."""
        while True:
            try:
                with self._write() as tx:
                    write_down(tx)
            except sqlite3.OperationalError as error:
                self._fares.hold_up(channel, error)
                if self._stopping.wait(self._every_s):
                    raise
            else:
                return
