"""The bounded queue between the network thread and the committer."""

from __future__ import annotations

import threading
from collections import deque

from ingest.message import Message

LIMIT_BYTES = 64 * 2**20
"""Payload bytes held at most, or little more: stored backlogs come in large messages. Our
choice: some seconds of the highest rate, and no burden for a small machine."""


class Intake:
    """First in, first out; one producer, one consumer.

    The producer never waits: it looks at `full` before it reads the socket, so what does not
    fit stays in the broker. The consumer is woken once per batch and not once per message,
    which would cost more than the message.
    """

    def __init__(self, limit: int, *, limit_bytes: int = LIMIT_BYTES) -> None:
        self._limit = limit
        self._limit_bytes = limit_bytes
        # Two counters, since adding and taking off one from two threads would lose counts.
        self._bytes_in = 0
        self._bytes_out = 0
        self._queue: deque[Message] = deque()
        self._changed = threading.Condition()
        self._wanted = 0
        self._closed = False

    def __len__(self) -> int:
        return len(self._queue)

    @property
    def full(self) -> bool:
        """Whether the producer should stop reading."""
        held_bytes = self._bytes_in - self._bytes_out
        return len(self._queue) >= self._limit or held_bytes >= self._limit_bytes

    def put(self, message: Message) -> None:
        """Append; wake the consumer when it has what it waits for."""
        self._bytes_in += len(message.payload)
        self._queue.append(message)
        if 0 < self._wanted <= len(self._queue):
            with self._changed:
                self._changed.notify_all()

    def take(self, limit: int, *, wait_s: float, linger_s: float) -> list[Message]:
        """Wait for a first message, then a little for a full batch; possibly nothing."""
        if self._await(1, wait_s) and len(self._queue) < limit:
            self._await(limit, linger_s)
        messages = [self._queue.popleft() for _ in range(min(limit, len(self._queue)))]
        self._bytes_out += sum(len(message.payload) for message in messages)
        return messages

    def close(self) -> None:
        """Let nobody wait any more."""
        with self._changed:
            self._closed = True
            self._changed.notify_all()

    def open(self) -> None:
        """Undo `close`."""
        self._closed = False

    def _await(self, count: int, timeout_s: float) -> bool:
        with self._changed:
            self._wanted = count
            self._changed.wait_for(
                lambda: self._closed or len(self._queue) >= count, timeout=timeout_s
            )
            self._wanted = 0
        return len(self._queue) > 0
