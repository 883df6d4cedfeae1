"""The dispatcher: claims due notices, hands them to channels, writes down what came.

One thread per channel: an endpoint that hangs holds up nobody else. Between the claim and the
settling the process may die; the notice is then sent again under the same id. A store that
cannot be written for a while holds notices up and ends nothing.
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from random import Random
from typing import Literal

import structlog

from alerts import ledger, outbox
from alerts.backoff import next_try_ms
from alerts.channel import Channel, Clock
from alerts.ledger import Alarm
from alerts.notice import Notice, Undelivered
from alerts.outbox import Entry

Open = Callable[[], AbstractContextManager[sqlite3.Connection]]
Compose = Callable[[Entry, Alarm], Notice]

Outcome = Literal["delivered", "refused", "away"]

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
        Words a notice.
    now_ms, rng
        Clock and randomness.
    every_s
        How often each channel looks for due notices [s]; ``wake`` makes it look at once.
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
    ) -> None:
        self._channels = dict(channels)
        self._write = write
        self._read = read
        self._compose = compose
        self._now_ms = now_ms
        self._rng = rng
        self._every_s = every_s
        self._stopping = threading.Event()
        self._wakes = {name: threading.Event() for name in channels}
        self._threads: list[threading.Thread] = []
        self._disabled: set[str] = set()
        self._held_up: set[str] = set()

    @property
    def disabled(self) -> frozenset[str]:
        """Name the channels whose far side wants no more; a new start tries them again."""
        return frozenset(self._disabled)

    @property
    def alive(self) -> bool:
        """Tell whether every channel's thread runs."""
        return bool(self._threads) and all(thread.is_alive() for thread in self._threads)

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
        """Look for due notices now: called after a commit that filled the outbox."""
        for event in self._wakes.values():
            event.set()

    def recover(self) -> int:
        """Free the claims of a run that ended in the middle of a send."""
        with self._write() as tx:
            count = outbox.release(tx)
        if count:
            log.warning("claims.released", count=count)
        return count

    def once(self, channel: str | None = None) -> int:
        """Send what is due, by one channel or by all in turn; give how many were delivered."""
        names = self._channels if channel is None else (channel,)
        return sum(self._drain(name) for name in names)

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
            if channel in self._held_up:
                with self._write() as tx:
                    outbox.release(tx, channel)
            self._drain(channel)
        except Exception as error:  # noqa: BLE001 - told below; the next notice must go out
            self._hold_up(channel, error)
            return False
        self._go_on(channel)
        return True

    def _hold_up(self, channel: str, error: Exception) -> None:
        if channel not in self._held_up:
            log.error("notices.held_up", channel=channel, exc_info=error)
        self._held_up.add(channel)

    def _go_on(self, channel: str) -> None:
        if channel in self._held_up:
            log.info("notices.resumed", channel=channel)
        self._held_up.discard(channel)

    def _drain(self, channel: str) -> int:
        """Send until nothing is due or the far side is away (the rest would only wait)."""
        count = 0
        while not self._stopping.is_set() and channel not in self._disabled:
            claimed = self._claim(channel)
            if claimed is None:
                break
            outcome = self._send(*claimed)
            count += outcome == "delivered"
            if outcome == "away":
                break
        return count

    def _claim(self, channel: str) -> tuple[Entry, Alarm] | None:
        now_ms = self._now_ms()
        with self._read() as conn:
            if not outbox.due(conn, channel, now_ms):
                return None
        with self._write() as tx:
            entry = outbox.claim(tx, channel, now_ms)
            alarm = ledger.get(tx, entry.alarm_id) if entry else None
        return (entry, alarm) if entry and alarm else None

    def _send(self, entry: Entry, alarm: Alarm) -> Outcome:
        """Deliver one notice; after "away" the channel should rest."""
        try:
            detail = self._channels[entry.destination].deliver(self._compose(entry, alarm))
        except Undelivered as refusal:
            return self._refused(entry, refusal)
        except Exception as error:  # one bad notice must not stop all others
            log.error("notice.crashed", notice_id=entry.id, exc_info=error)
            return self._refused(entry, Undelivered(f"fault: {error!r}", retry=True))
        self._note(entry, lambda tx: outbox.settle(tx, entry, self._now_ms(), detail))
        log.info("notice.delivered", **_keys(entry), detail=detail)
        return "delivered"

    def _refused(self, entry: Entry, refusal: Undelivered) -> Outcome:
        now_ms = self._now_ms()
        due_ms = self._next(entry, now_ms, refusal) if refusal.retry else None

        def put_away(tx: sqlite3.Connection) -> None:
            if due_ms is None:
                outbox.give_up(tx, entry, now_ms, refusal.reason)
            else:
                outbox.defer(tx, entry, now_ms, due_ms=due_ms, reason=refusal.reason)

        self._note(entry, put_away)
        if due_ms is None:
            log.error("notice.abandoned", **_keys(entry), reason=refusal.reason)
        else:
            log.warning("notice.deferred", **_keys(entry), reason=refusal.reason, due_ms=due_ms)
        if refusal.disable:
            self._disabled.add(entry.destination)
            log.error("channel.disabled", channel=entry.destination, reason=refusal.reason)
        return "away" if refusal.retry else "refused"

    def _note(self, entry: Entry, write_down: Callable[[sqlite3.Connection], None]) -> None:
        """Write down what came of a send; what the far side has taken is not sent again for want of room."""
        while True:
            try:
                with self._write() as tx:
                    write_down(tx)
            except sqlite3.OperationalError as error:
                self._hold_up(entry.destination, error)
                if self._stopping.wait(self._every_s):
                    raise
            else:
                return

    def _next(self, entry: Entry, now_ms: int, refusal: Undelivered) -> int | None:
        return next_try_ms(
            attempts=entry.attempts + 1,
            created_ms=entry.created_ms,
            now_ms=now_ms,
            rng=self._rng,
            retry_after_s=refusal.retry_after_s,
        )


def _keys(entry: Entry) -> dict[str, str | int]:
    return {
        "notice_id": entry.id,
        "alarm_id": entry.alarm_id,
        "channel": entry.destination,
        "attempt": entry.attempts + 1,
    }
