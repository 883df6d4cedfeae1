"""Who tries links that are none: counted by address, so that guessing is slow and shows in the log."""

from __future__ import annotations

from collections import deque

WINDOW_MS = 60_000
MOST = 20
"""So many bad links a minute are answered as such; who sends more is asked to wait. Own choice: a person
with a broken link tries a few times, and no rate makes a signature of 256 bits worth guessing."""

REMEMBERED = 1000
"""So many addresses are kept in mind; whoever has more of them gains nothing by it."""


class Strangers:
    """Counts bad links by the address they came from, within the last minute."""

    def __init__(self) -> None:
        self._tries: dict[str, deque[int]] = {}

    def count(self, address: str, uptime_ms: int) -> int:
        """Count one more bad link; give how many there were in the last minute."""
        tries = self._tries.pop(address, deque(maxlen=MOST + 1))
        while tries and uptime_ms - tries[0] > WINDOW_MS:
            tries.popleft()
        tries.append(uptime_ms)
        # Put back at the end: the first of the mapping is the one longest unheard of.
        self._tries[address] = tries
        if len(self._tries) > REMEMBERED:
            del self._tries[next(iter(self._tries))]
        return len(tries)
