"""A source in memory, for tests of what comes after it."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence

from ingest.message import Message, Receipt
from ingest.source_state import Phase, SourceState


class ListSource:
    """Yields given messages in order, and keeps what is acknowledged and published.

    `reconnect` behaves like a broker: what was not acknowledged comes again, under a new
    generation, and acknowledgements of the old one count for nothing.
    """

    def __init__(self, messages: Iterable[Message] = ()) -> None:
        self._queue: deque[Message] = deque()
        self._unacked: dict[int, Message] = {}
        self._next_mid = 1
        self._generation = 1
        self._started = False
        self._linked = True
        self.acked: list[Message] = []
        self.stale_acks = 0
        self.published: list[tuple[str, bytes, bool]] = []
        self.feed(messages)

    def feed(self, messages: Iterable[Message]) -> None:
        """Append messages; each gets a receipt."""
        for message in messages:
            self._deliver(message)

    def reconnect(self) -> None:
        """Send everything unacknowledged again, in order."""
        again = list(self._unacked.values())
        self._queue.clear()
        self._unacked.clear()
        self._generation += 1
        self.feed(again)

    def start(self) -> None:
        self._started = True
        self._linked = True

    def cut(self) -> None:
        """Lose the broker."""
        self._linked = False

    def mend(self) -> None:
        """Find the broker again."""
        self._linked = True

    def take(self, limit: int, wait_s: float) -> list[Message]:
        return [self._queue.popleft() for _ in range(min(limit, len(self._queue)))]

    def ack(self, messages: Sequence[Message]) -> None:
        for message in messages:
            receipt = message.receipt
            if receipt is None:
                continue
            known = receipt.connection == self._generation
            if known and self._unacked.pop(receipt.mid, None) is not None:
                self.acked.append(message)
            else:
                self.stale_acks += 1

    def publish(self, topic: str, payload: bytes, *, retain: bool) -> None:
        self.published.append((topic, payload, retain))

    def stop(self) -> None:
        self._started = False

    @property
    def state(self) -> SourceState:
        return SourceState(
            phase=self._phase(),
            connected=self._started and self._linked,
            generation=self._generation,
            acked=len(self.acked),
            stale_acks=self.stale_acks,
            waiting=len(self._queue),
            unacked=len(self._unacked),
        )

    def _phase(self) -> Phase:
        if not self._started:
            return "stopped"
        return "connected" if self._linked else "connecting"

    def _deliver(self, message: Message) -> None:
        mid, self._next_mid = self._next_mid, self._next_mid + 1
        receipt = Receipt(mid=mid, qos=1, connection=self._generation)
        sent = Message(
            topic=message.topic, payload=message.payload, retain=message.retain, receipt=receipt
        )
        self._unacked[mid] = sent
        self._queue.append(sent)
