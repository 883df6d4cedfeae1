"""Where messages come from: the contract, and its form over MQTT."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from random import Random
from typing import Protocol

import structlog

from ingest.backoff import EARLY_MS, TakeoverWatch, delay_s
from ingest.connection import Connection, Ending
from ingest.errors import BadBroker
from ingest.intake import Intake
from ingest.message import Message
from ingest.mqtt_settings import MqttSettings
from ingest.outgoing import Outgoing, OutgoingBox
from ingest.source_state import SourceState, Tally
from ingest.witness import Witness

log = structlog.get_logger()

TOPIC_LIMIT = 20_000
"""Topics that may wait to be published: a few per truck of a very large fleet."""

STALL_MS = 60_000
"""A network thread silent for so long hangs [ms]. Above the slowest honest connect: name
look-up and TLS handshake have time limits of some ten seconds each."""

STOP_S = 15.0
"""Longest wait for the network thread to end [s]: it may be in the midst of a connect."""

LINGER_S = 0.02
"""How long a batch waits for more after its first message [s]: a commit costs about as much."""


class Source(Protocol):
    """Yields messages and takes acknowledgements; used from one committer thread."""

    def start(self) -> None:
        """Begin to receive."""

    def take(self, limit: int, wait_s: float) -> list[Message]:
        """Return up to `limit` messages; wait at most `wait_s` for the first."""

    def ack(self, messages: Sequence[Message]) -> None:
        """Acknowledge messages that are durably committed."""

    def publish(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """Send at QoS 1; while away, the newest per topic waits."""

    def stop(self) -> None:
        """End; whatever was not acknowledged comes again."""

    @property
    def state(self) -> SourceState:
        """How it stands."""


class MqttSource:
    """A persistent session with manual acknowledgement.

    What was taken is never dropped here: after a reconnect the broker sends unacknowledged
    messages again, and whoever commits must know a message it has seen.
    """

    def __init__(
        self,
        settings: MqttSettings,
        *,
        clock: Callable[[], int],
        rng: Random,
        linger_s: float = LINGER_S,
        stall_ms: int = STALL_MS,
    ) -> None:
        self._settings = settings
        self._clock = clock
        self._rng = rng
        self._linger_s = linger_s
        self._stall_ms = stall_ms
        # Twice the window: what one connection left behind, and what the next sends again.
        self._intake = Intake(2 * settings.receive_maximum)
        self._box = OutgoingBox(TOPIC_LIMIT)
        self._tally = Tally()
        self._takeovers = TakeoverWatch()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._connection: Connection | None = None
        self._said: str | None = None
        self._suspicious = False

    @property
    def state(self) -> SourceState:
        """How it stands; cheap, from any thread."""
        tally, connection = self._tally, self._connection
        return SourceState(
            phase=tally.phase,
            connected=connection is not None and connection.live,
            session_present=tally.session_present,
            generation=tally.generation,
            received=tally.received,
            acked=tally.acked,
            stale_acks=tally.stale_acks,
            waiting=len(self._intake),
            unacked=0 if connection is None else connection.unacked,
            unsent=len(self._box),
            unsent_dropped=self._box.dropped,
            publishes_refused=tally.publishes_refused,
            last_message_ms=tally.last_message_ms,
            last_progress_ms=tally.last_progress_ms,
            sessions_lost=tally.sessions_lost,
            disconnects=tally.disconnects,
            takeovers=tally.takeovers,
            restarts=tally.restarts,
            refused=tally.refused,
            certificate_ends_ms=tally.certificate_ends_ms,
        )

    def start(self) -> None:
        """Start the network thread; that it connects is seen in `state`."""
        if self._thread is not None:
            return
        self._stopping.clear()
        self._intake.open()
        self._launch(attempt=0)

    def stop(self) -> None:
        """Let last words through, disconnect and end the thread; the session stays."""
        self._stopping.set()
        self._intake.close()
        self._wake()
        thread = self._thread
        if thread is not None:
            thread.join(STOP_S)
            if thread.is_alive() and self._connection is not None:
                self._connection.abandon()
        self._thread = None
        self._tally.phase = "stopped"

    def take(self, limit: int, wait_s: float) -> list[Message]:
        """Return up to `limit` messages; wait for the first, linger briefly for more.

        Each call also looks whether the network thread lives and moves.
        """
        self._watch()
        messages = self._intake.take(limit, wait_s=wait_s, linger_s=self._linger_s)
        if messages:
            self._wake()  # it may have waited for room
        return messages

    def ack(self, messages: Sequence[Message]) -> None:
        """Acknowledge in the order of arrival; only what the present connection delivered."""
        connection = self._connection
        done = 0 if connection is None else connection.ack(messages)
        owed = sum(m.receipt is not None for m in messages)
        self._tally.acked += done
        self._tally.stale_acks += owed - done

    def publish(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """Send at QoS 1; while away, the newest per topic waits."""
        if not topic or set("+#\0") & set(topic):
            msg = f"not a topic to publish on: {topic!r}"
            raise ValueError(msg)
        self._box.put(Outgoing(topic=topic, payload=payload, retain=retain))
        self._wake()

    def _wake(self) -> None:
        connection = self._connection
        if connection is not None:
            connection.wake()

    def _watch(self) -> None:
        """Replace a network thread that died or hangs."""
        thread, tally = self._thread, self._tally
        if thread is None or self._stopping.is_set() or tally.phase == "taken_over":
            return
        last_ms = tally.last_progress_ms
        hangs = last_ms is not None and self._clock() - last_ms > self._stall_ms
        if thread.is_alive() and not hangs:
            return
        log.error("network.restarted", hangs=hangs)
        if self._connection is not None:
            self._connection.abandon()
        tally.restarts += 1
        self._launch(attempt=1)

    def _launch(self, *, attempt: int) -> None:
        self._tally.last_progress_ms = self._clock()
        self._tally.phase = "connecting"
        self._thread = threading.Thread(
            target=self._main, args=(attempt,), name="mqtt-network", daemon=True
        )
        self._thread.start()

    def _current(self) -> bool:
        return self._thread is threading.current_thread()

    def _main(self, attempt: int) -> None:
        """Connect again and again until told to stop, replaced, or taken over."""
        try:
            while self._current() and not self._stopping.is_set():
                if attempt:
                    self._pause(attempt)
                ending = self._connect()
                if not self._current() or self._judge(ending):
                    return
                attempt = 1 if ending.lived_ms > EARLY_MS else attempt + 1
        except Exception:
            # The thread ends here and `take` starts another: one bad moment must not turn into
            # a process that looks alive and hears nothing.
            log.exception("network.crashed")

    def _connect(self) -> Ending:
        """Serve one connection; under suspicion beside a witness."""
        if not self._suspicious:
            return self._serve()
        token = f"{self._rng.getrandbits(32):08x}"
        with Witness(self._settings, token=token) as witness:
            ending = self._serve()
            alone = ending.problem is not None and ending.connected and witness.stands()
        return replace(ending, alone=alone)

    def _serve(self) -> Ending:
        connection = Connection(
            self._settings,
            intake=self._intake,
            box=self._box,
            tally=self._tally,
            clock=self._clock,
        )
        self._connection = connection
        return connection.run(lambda: self._stopping.is_set() or not self._current())

    def _judge(self, ending: Ending) -> bool:
        """Book how a connection ended; True when there is to be no other."""
        problem, tally, now_ms = ending.problem, self._tally, self._clock()
        if problem is None:
            return True
        tally.phase = "refused" if isinstance(problem, BadBroker) else "connecting"
        tally.refused = str(problem) if isinstance(problem, BadBroker) else None
        tally.disconnects += ending.connected
        tally.takeovers += ending.taken_over
        fight = ending.taken_over and self._takeovers.told(now_ms)
        lived_ms = ending.lived_ms
        early = ending.connected and self._takeovers.ended(now_ms, lived_ms=lived_ms)
        self._suspicious = early
        if fight or (early and ending.alone):
            self._yield()
            return True
        if str(problem) != self._said:
            self._said = str(problem)
            log.warning("broker.lost", reason=self._said, connected=ending.connected)
        return False

    def _yield(self) -> None:
        """Leave the client id to the other process: fighting on would serve neither."""
        client_id = self._settings.client_id
        self._tally.phase = "taken_over"
        self._tally.refused = (
            f"Another process connects with the client id {client_id!r} again and again."
            " Stop it or give it another client_id, then start this one again."
        )
        log.error("session.taken_over", client_id=client_id)

    def _pause(self, attempt: int) -> None:
        """Wait before the next attempt, and as long as there is no room for what it brings."""
        settings = self._settings
        left_s = delay_s(
            attempt - 1,
            least=settings.reconnect_min_s,
            most=settings.reconnect_max_s,
            rng=self._rng,
        )
        while (left_s > 0 or self._intake.full) and self._current():
            step_s = min(max(left_s, 0.05), 0.5)
            if self._stopping.wait(step_s):
                return
            left_s -= step_s
            self._tally.last_progress_ms = self._clock()
