"""A broker that keeps a session for the daemon, in memory: at least once, in order, until acknowledged."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import replace
from random import Random

from ingest.message import Message, Receipt
from ingest.source_state import SourceState
from tests.torture.simulation.fuse import Fuse


class SimulatedBroker:
    """The session, and the source that the daemon has it by; it outlives each daemon."""

    def __init__(self, fuse: Fuse, rng: Random) -> None:
        self._fuse = fuse
        self._rng = rng
        self._queue: deque[Message] = deque()
        self._unacked: dict[int, Message] = {}
        self._next_mid = 1
        self._generation = 1
        self.taken: list[Message] = []
        self.acked: list[Message] = []
        self.published: list[tuple[str, bytes]] = []

    def publish_from_truck(self, message: Message) -> None:
        """Take a message for the daemon: from here on the truck has forgotten it."""
        mid, self._next_mid = self._next_mid, self._next_mid + 1
        receipt = Receipt(mid=mid, qos=1, connection=self._generation)
        sent = replace(message, receipt=receipt)
        self._unacked[mid] = sent
        self._queue.append(sent)

    def reconnect(self) -> None:
        """Send all that was not acknowledged again, on a new connection (MQTT 3.1.1, section 4.4)."""
        again = [replace(message, receipt=None) for message in self._unacked.values()]
        self._queue.clear()
        self._unacked.clear()
        self._generation += 1
        for message in again:
            self.publish_from_truck(message)

    @property
    def empty(self) -> bool:
        """Whether the daemon has acknowledged everything."""
        return not self._unacked

    def start(self) -> None:
        """Nothing is to be started."""

    def stop(self) -> None:
        """Nothing is to be stopped."""

    def take(self, limit: int, wait_s: float) -> list[Message]:
        """Hand over some of what waits."""
        del wait_s
        most = min(limit, len(self._queue), self._rng.choice((1, 3, 20, 60)))
        found = [self._queue.popleft() for _ in range(most)]
        self.taken += found
        return found

    def ack(self, messages: Sequence[Message]) -> None:
        """Forget what is acknowledged on the connection that brought it."""
        for message in messages:
            receipt = message.receipt
            if receipt is None or receipt.connection != self._generation:
                continue
            self._fuse.pass_by("ack")
            if self._unacked.pop(receipt.mid, None) is not None:
                self.acked.append(message)

    def publish(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """Keep what the daemon tells the gateways."""
        del retain
        self.published.append((topic, payload))

    @property
    def state(self) -> SourceState:
        """Say that it is there."""
        return SourceState(
            phase="connected",
            connected=True,
            generation=self._generation,
            acked=len(self.acked),
            waiting=len(self._queue),
            unacked=len(self._unacked),
        )
