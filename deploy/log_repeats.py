"""The same line again and again: the first few are written, the rest counted."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

import structlog

ALIKE = 5
"""So many lines that are the same in all but their time are written within ``SPAN_S``; own choice."""

SPAN_S = 60.0
"""Within how long [s]."""

REMEMBERED = 1_000
"""So many different lines are remembered."""


@dataclass(slots=True)
class _Seen:
    since_s: float
    count: int = 0


class Repeats:
    """A step of structlog's that drops what repeats; the next one written says how many were left out."""

    def __init__(self, uptime_s: Callable[[], float]) -> None:
        self._uptime_s = uptime_s
        self._gate = threading.Lock()
        self._seen: OrderedDict[str, _Seen] = OrderedDict()

    def __call__(
        self, _logger: object, _method: str, event: structlog.typing.EventDict
    ) -> structlog.typing.EventDict:
        """Let a line by, or drop it."""
        key = repr(sorted(event.items(), key=lambda item: str(item[0])))
        with self._gate:
            left_out = self._left_out(key)
        if left_out is None:
            raise structlog.DropEvent
        return {**event, "left_out": left_out} if left_out else event

    def _left_out(self, key: str) -> int | None:
        """Give how many like it were left out before this one, None to leave it out too."""
        now_s = self._uptime_s()
        seen = self._seen.get(key)
        left_out = 0
        if seen is None or now_s - seen.since_s > SPAN_S:
            left_out = max(0, seen.count - ALIKE) if seen else 0
            seen = self._seen[key] = _Seen(now_s)
        self._seen.move_to_end(key)
        while len(self._seen) > REMEMBERED:
            self._seen.popitem(last=False)
        seen.count += 1
        return left_out if seen.count <= ALIKE else None
