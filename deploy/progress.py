"""How the committer gets on: its last turn, and whether the store takes what it writes.

Written by the committer, read by anybody. Trying again because the disk is full or the store is locked is
getting on; not coming round is not.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

REMEMBERED = 1_000
"""So many failures that are over are remembered."""

Phase = Literal["starting", "serving", "stopping"]


class Progress:
    """Marks of the committer's turns, by a clock that never jumps."""

    def __init__(self, uptime_ms: Callable[[], int]) -> None:
        self._uptime_ms = uptime_ms
        self._turned_ms = uptime_ms()
        self._failed_since_ms: int | None = None
        self._failures: list[tuple[int, int]] = []
        self.phase: Phase = "starting"
        self.reason = ""

    def turn(self) -> None:
        """Mark that the committer came round."""
        self._turned_ms = self._uptime_ms()

    def store_failed(self, reason: str) -> bool:
        """Mark that the store could not be written; True when it could be until now."""
        self.turn()
        self.reason = reason
        if self._failed_since_ms is not None:
            return False
        self._failed_since_ms = self._uptime_ms()
        return True

    def store_written(self) -> bool:
        """Mark that it can be written; True when it could not until now."""
        if self._failed_since_ms is None:
            return False
        now_ms = self._uptime_ms()
        ended = (now_ms, now_ms - self._failed_since_ms)
        self._failures = [*self._failures[1 - REMEMBERED :], ended]
        self._failed_since_ms = None
        self.reason = ""
        return True

    @property
    def turned_ms_ago(self) -> int:
        """How long ago the committer came round last [ms]."""
        return self._uptime_ms() - self._turned_ms

    @property
    def failing_ms(self) -> int | None:
        """For how long the store cannot be written [ms], None while it can."""
        since_ms = self._failed_since_ms
        return None if since_ms is None else self._uptime_ms() - since_ms

    def failed_ms(self, within_ms: int) -> int:
        """For how long at a stretch it could not be written, at most, of late [ms]."""
        now_ms = self._uptime_ms()
        # Nothing is put away here: who reads does so beside the committer.
        lately = [span for ended_ms, span in self._failures if now_ms - ended_ms <= within_ms]
        return max([self.failing_ms or 0, *lately])
